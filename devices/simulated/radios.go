package simulated

import (
	"fmt"
	"strings"
	"time"
)

// radios are the states behind the settings that mirror them.
type radios struct {
	wifi, data, bluetooth, nfc, airplane bool
	joined                               bool // Wi-Fi has its network
	changes                              int  // of that, since the kernel began
	rssi                                 int  // dBm
	stayOff                              bool // the network itself is gone (fault)
}

const ssid = "Bench"

func (h *Handset) wifiUp() bool { return h.radios.wifi && h.radios.joined && !h.poweredOff }

func (h *Handset) mobileUp() bool { return h.sim && h.radios.data && !h.radios.airplane }

// mirror writes the settings that follow the radios.
func (h *Handset) mirror() {
	g, r := h.settings[global], h.radios
	g["wifi_on"] = digit(r.wifi)
	switch {
	case r.airplane && r.wifi:
		g["wifi_on"] = "2"
	case r.airplane:
		g["wifi_on"] = "3"
	}
	g["mobile_data"] = digit(r.data)
	g["bluetooth_on"] = digit(r.bluetooth)
	g["airplane_mode_on"] = digit(r.airplane)
}

func (h *Handset) setWiFi(on bool) {
	h.radios.wifi = on
	h.cancel(h.joining)
	if !on {
		h.leaveWiFi()
	} else if !h.radios.joined && !h.radios.stayOff {
		h.joining = h.at(h.age+2*time.Second, func() {
			h.joined(h.radios.wifi && !h.radios.stayOff)
		})
	}
	h.mirror()
}

// joined notes whether Wi-Fi has its network; the kernel counts each change.
func (h *Handset) joined(on bool) {
	if h.radios.joined != on {
		h.radios.changes++
	}
	h.radios.joined = on
}

// leaveWiFi takes the handset off its network; every connection over it breaks.
func (h *Handset) leaveWiFi() {
	h.joined(false)
	h.afterwards(h.net.breakAll)
}

func (h *Handset) setData(on bool) {
	h.radios.data = on
	if !on && !h.wifiUp() {
		h.afterwards(h.net.breakAll)
	}
	h.mirror()
}

func (h *Handset) setAirplane(on bool) {
	h.radios.airplane = on
	if on {
		h.setWiFi(false)
		h.radios.bluetooth = false
		h.endCall()
	} else {
		h.setWiFi(true)
		h.radios.bluetooth = true
	}
	h.mirror()
}

func (h *Handset) locationOn() bool { return h.settingInt(secure, "location_mode", 0) != 0 }

func (h *Handset) setLocation(on bool) {
	mode := "0"
	if on {
		mode = "3"
	}
	h.put(secure, "location_mode", mode)
}

// svc is the old way to the radios and the power states.
func svc(h *Handset, c *call) int {
	if !h.wait(c, h.toolDelay(60*time.Millisecond)) {
		return killed
	}
	on, known := onOff(c.arg(1), "enable", "disable")
	what := c.arg(0)
	switch {
	case what == "wifi" && known:
		h.do(func() { h.setWiFi(on) })
	case what == "data" && known:
		h.do(func() { h.setData(on) })
	case what == "bluetooth" && known:
		h.do(func() { h.radios.bluetooth = on; h.mirror() })
	case what == "nfc" && known && h.opt.NFC:
		h.do(func() { h.radios.nfc = on })
	case what == "power" && c.arg(1) == "stayon":
		return h.stayOn(c)
	case what == "power" && (c.arg(1) == "reboot" || c.arg(1) == "shutdown"):
		return rebootCommand(h, c.rest(2))
	case what == "usb":
		return h.usbFunctions(c)
	default:
		return c.fail(1, "Available commands:\n    help     Show information about the subcommands\n    power    Control the power manager\n    data     Control mobile data connectivity\n    wifi     Control the Wi-Fi manager\n    usb      Control Usb state\n    nfc      Control NFC functions\n    bluetooth Control Bluetooth service\n")
	}
	return 0
}

func (h *Handset) stayOn(c *call) int {
	value, ok := map[string]string{"true": "7", "false": "0", "ac": "1", "usb": "2", "wireless": "4", "dock": "8"}[c.arg(2)]
	if !ok {
		return c.fail(1, "Control the power manager\n\nusage: svc power stayon [true|false|usb|ac|wireless]\n")
	}
	if value == "7" && h.ways.docks {
		value = "15"
	}
	h.do(func() { h.put(global, "stay_on_while_plugged_in", value) })
	return 0
}

// usbFunctions changes what the cable carries. A change restarts the adb daemon, and all
// that was started over adb dies with it.
func (h *Handset) usbFunctions(c *call) int {
	switch c.arg(1) {
	case "getFunctions":
		return h.show(c, func(p *page) { p.line("%s", h.usb) })
	case "setFunctions", "setScreenUnlockedFunctions":
		want := c.arg(2)
		h.do(func() {
			if c.arg(1) == "setFunctions" && want != h.usb {
				h.usb = want
				h.restartAdbd()
			}
		})
		return 0
	}
	return c.fail(1, "Control Usb state\n\nusage: svc usb setFunctions [function]\n")
}

// wifiVerb is cmd wifi.
func wifiVerb(h *Handset, c *call) int {
	verb := c.arg(0)
	if !h.ways.wifiVerbs {
		return unknownVerb(c)
	}
	switch verb {
	case "set-wifi-enabled":
		on, ok := onOff(c.arg(1), "enabled", "disabled")
		if !ok {
			return c.fail(255, "Invalid args to set-wifi-enabled: Expected 'enabled' or 'disabled' as next arg but got '%s'\n", c.arg(1))
		}
		h.do(func() { h.setWiFi(on) })
	case "status":
		return h.show(c, func(p *page) {
			if !h.radios.wifi {
				p.line("Wifi is disabled")
				p.line("Wifi scanning is only available when wifi is enabled")
				return
			}
			p.line("Wifi is enabled")
			p.line("Wifi scanning is always available")
			p.line("==== Primary ClientModeManager instance ====")
			if !h.radios.joined {
				p.line("Wifi is not connected")
				return
			}
			p.line("Wifi is connected to %q", ssid)
			p.line("%s", h.wifiInfo())
			p.line("successfulTxPackets: 4110")
		})
	case "list-networks":
		c.say("Network Id      SSID                         Security type\n0            %s                            wpa2-psk\n", ssid)
	case "connect-network":
		if c.arg(1) != ssid {
			return c.fail(255, "Failed to connect to network \"%s\"\n", c.arg(1))
		}
		h.do(func() { h.setWiFi(true) })
		c.say("Connection initiated \n")
	case "forget-network":
		h.do(h.leaveWiFi)
		c.say("Forget successful\n")
	default:
		return c.fail(255, "Exception occurred while executing '%s':\njava.lang.SecurityException: Uid 2000 does not have access to %s wifi command\n", verb, verb)
	}
	return 0
}

func (h *Handset) wifiInfo() string {
	if !h.radios.joined {
		return "WifiInfo: SSID: <unknown ssid>, BSSID: <none>, MAC: 02:00:00:00:00:00, Supplicant state: DISCONNECTED, RSSI: -127, Link speed: -1Mbps, Frequency: -1MHz, Net ID: -1"
	}
	return fmt.Sprintf("WifiInfo: SSID: %q, BSSID: 02:00:5e:10:00:01, MAC: 02:00:00:00:00:00, IP: /192.0.2.%d, Security type: 2, Supplicant state: COMPLETED, Wi-Fi standard: 11ac, RSSI: %d, Link speed: 433Mbps, Tx Link speed: 433Mbps, Max Supported Tx Link speed: 867Mbps, Rx Link speed: 390Mbps, Max Supported Rx Link speed: 867Mbps, Frequency: 5180MHz, Net ID: 0, Metered hint: false, score: 60", ssid, 10+h.opt.Seed%200, h.radios.rssi)
}

func connectivityVerb(h *Handset, c *call) int {
	if !h.ways.airplaneVerb {
		return noVerbs(c)
	}
	if c.arg(0) != "airplane-mode" {
		return unknownVerb(c)
	}
	if len(c.args) == 1 {
		return h.show(c, func(p *page) {
			word := "disabled"
			if h.radios.airplane {
				word = "enabled"
			}
			p.line("%s", word)
		})
	}
	on, ok := onOff(c.arg(1), "enable", "disable")
	if !ok {
		return c.fail(255, "Invalid argument: %s\n", c.arg(1))
	}
	h.do(func() {
		if h.radios.airplane != on {
			h.setAirplane(on)
		}
	})
	return 0
}

func locationVerb(h *Handset, c *call) int {
	if !h.ways.locationVerbs {
		return noVerbs(c)
	}
	args := dropUser(c.args)
	switch {
	case len(args) == 1 && args[0] == "is-location-enabled":
		return h.show(c, func(p *page) { p.line("%t", h.locationOn()) })
	case len(args) == 2 && args[0] == "set-location-enabled":
		on, ok := onOff(args[1], "true", "false")
		if !ok {
			return c.fail(255, "Error: Invalid argument: %s\n", args[1])
		}
		if h.refusesSettings() {
			return c.fail(255, refusedSettings, args[0])
		}
		h.do(func() { h.setLocation(on) })
		return 0
	}
	return unknownVerb(c)
}

func bluetoothVerb(h *Handset, c *call) int {
	if !h.ways.bluetoothVerbs {
		return noVerbs(c)
	}
	on, ok := onOff(c.arg(0), "enable", "disable")
	if !ok {
		if strings.HasPrefix(c.arg(0), "wait-for-state:") {
			c.say("wait-for-state: success\n")
			return 0
		}
		return unknownVerb(c)
	}
	h.do(func() { h.radios.bluetooth = on; h.mirror() })
	return 0
}

func phoneVerb(h *Handset, c *call) int {
	if !h.ways.phoneVerbs {
		return unknownVerb(c)
	}
	on, ok := onOff(c.arg(1), "enable", "disable")
	if c.arg(0) != "data" || !ok {
		return unknownVerb(c)
	}
	h.do(func() { h.setData(on) })
	return 0
}

func nfcVerb(h *Handset, c *call) int {
	if !h.ways.nfcVerbs {
		return noVerbs(c)
	}
	switch c.arg(0) {
	case "enable-nfc":
		h.do(func() { h.radios.nfc = true })
	case "disable-nfc":
		h.do(func() { h.radios.nfc = false })
	case "status":
		return h.show(c, func(p *page) {
			word := "disabled"
			if h.radios.nfc {
				word = "enabled"
			}
			p.line("Nfc is %s", word)
		})
	default:
		return unknownVerb(c)
	}
	return 0
}
