package simulated

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
)

// factoryProperties are those that never change while the handset runs.
func factoryProperties(o Options, w ways) map[string]string {
	return map[string]string{
		"dalvik.vm.heapsize":               "512m",
		"persist.sys.timezone":             "UTC",
		"persist.sys.usb.config":           "adb",
		"ro.board.platform":                "sim",
		"ro.build.characteristics":         "nosdcard",
		"ro.build.fingerprint":             fmt.Sprintf("%s/%s/%s:%s/%s/%d:user/release-keys", o.Maker, o.Product, o.Product, w.release, w.build, 1000+o.Seed%9000),
		"ro.build.id":                      w.build,
		"ro.build.display.id":              w.build + ".sim",
		"ro.build.type":                    "user",
		"ro.build.version.incremental":     strconv.FormatInt(1000+o.Seed%9000, 10),
		"ro.build.version.release":         w.release,
		"ro.build.version.sdk":             strconv.Itoa(w.sdk),
		"ro.build.version.security_patch":  w.patch,
		"ro.debuggable":                    "0",
		"ro.product.brand":                 o.Maker,
		"ro.product.cpu.abi":               "arm64-v8a",
		"ro.product.device":                o.Product,
		"ro.product.manufacturer":          o.Maker,
		"ro.product.model":                 o.Model,
		"ro.product.name":                  o.Product,
		"ro.secure":                        "1",
		"ro.serialno":                      o.Serial,
		"ro.sf.lcd_density":                strconv.Itoa(o.Density),
		"ro.boot.serialno":                 o.Serial,
		"ro.hardware":                      "sim",
		"gsm.version.baseband":             "sim-1.0",
		"persist.sys.locale":               "en-GB",
		"ro.treble.enabled":                "true",
		"ro.crypto.state":                  "encrypted",
		"init.svc.adbd":                    "running",
		"ro.product.first_api_level":       strconv.Itoa(w.sdk),
		"ro.vendor.build.security_patch":   w.patch,
		"ro.build.version.codename":        "REL",
		"ro.build.version.all_codenames":   "REL",
		"ro.product.locale":                "en-GB",
		"ro.build.tags":                    "release-keys",
		"ro.zygote":                        "zygote64",
		"sys.boot.reason":                  "reboot",
		"ro.boot.bootreason":               "reboot",
		"vold.has_adoptable":               "0",
		"ro.adb.secure":                    "1",
		"service.adb.tcp.port":             "",
		"ro.build.version.preview_sdk":     "0",
		"ro.product.build.version.release": w.release,
	}
}

// property is the value of a property now; the live ones follow the handset's state.
func (h *Handset) property(key string) (string, bool) {
	switch key {
	case "gsm.sim.state":
		if !h.sim {
			return "ABSENT", true
		}
		return "LOADED", true
	case "gsm.network.type":
		if !h.mobileUp() {
			return "Unknown", true
		}
		return "LTE", true
	case "gsm.operator.alpha":
		if !h.sim || h.radios.airplane {
			return "", true
		}
		return "Test Network", true
	case "sys.usb.state", "sys.usb.config":
		if h.usb != "" {
			return h.usb + ",adb", true
		}
		return "adb", true
	case "sys.boot_completed", "dev.bootcomplete":
		return "1", true
	}
	v, ok := h.props[key]
	return v, ok
}

var liveProperties = []string{"gsm.network.type", "gsm.operator.alpha", "gsm.sim.state", "sys.usb.config", "sys.usb.state", "sys.boot_completed", "dev.bootcomplete"}

func getprop(h *Handset, c *call) int {
	return h.show(c, func(p *page) {
		if len(c.args) > 0 {
			v, ok := h.property(c.args[0])
			if !ok || v == "" {
				v = c.arg(1) // the default, if one was given
			}
			p.line("%s", v)
			return
		}
		keys := slices.AppendSeq(slices.Clone(liveProperties), maps.Keys(h.props))
		slices.Sort(keys)
		for _, k := range slices.Compact(keys) {
			v, _ := h.property(k)
			p.line("[%s]: [%s]", k, v)
		}
	})
}

func setprop(h *Handset, c *call) int {
	if len(c.args) != 2 {
		return c.fail(1, "usage: setprop NAME VALUE\n")
	}
	key := c.args[0]
	if len(key) > 3 && key[:3] == "ro." || key == "service.adb.tcp.port" {
		return c.fail(1, "Failed to set property '%s' to '%s'.\nSee dmesg for error reason.\n", key, c.args[1])
	}
	h.do(func() { h.props[key] = c.args[1] })
	return 0
}
