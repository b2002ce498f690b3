package simulated

import (
	"fmt"
	"math"
	"strings"

	"rundown/devices/simulated/phoneshell"
	"rundown/devices/simulated/physics"
)

const batteryNode = "/sys/class/power_supply/battery"

// powerNodes makes the kernel's own view of the battery, as far as the shell may see it.
func (h *Handset) powerNodes() {
	files := h.machine.FS()
	if h.opt.Nodes == Missing {
		return
	}
	nodes := map[string]func(r physics.Readings) string{
		"type":     func(physics.Readings) string { return "Battery" },
		"present":  func(physics.Readings) string { return "1" },
		"capacity": func(r physics.Readings) string { return itoa(h.faults.levelShown(r)) },
		"status": func(r physics.Readings) string {
			return [...]string{"Unknown", "Unknown", "Charging", "Discharging", "Not charging", "Full"}[h.batteryStatus(r)]
		},
		"health":             func(physics.Readings) string { return "Good" },
		"voltage_now":        func(r physics.Readings) string { return itoa(r.VoltageMV * 1000) },
		"temp":               func(r physics.Readings) string { return itoa(r.TempDeciC) },
		"technology":         func(physics.Readings) string { return "Li-ion" },
		"charge_full_design": func(physics.Readings) string { return itoa(int(math.Round(h.opt.CapacityMAh/50) * 50 * 1000)) },
	}
	if h.opt.Gauge.Counter != physics.NoCounter {
		nodes["charge_counter"] = func(r physics.Readings) string {
			c, ok := h.counterShown(r)
			if !ok {
				return "-22"
			}
			return fmt.Sprint(c)
		}
	}
	if !h.opt.Gauge.NoCurrent {
		nodes["current_now"] = func(r physics.Readings) string {
			if r.CurrentRaw == nil {
				return "0"
			}
			return fmt.Sprint(*r.CurrentRaw)
		}
	}
	order := []string{"status", "health", "present", "technology", "capacity", "voltage_now", "current_now", "charge_counter", "charge_full_design", "temp", "type"}
	for name, text := range nodes {
		path := batteryNode + "/" + name
		files.Dynamic(path, func() string { return h.node(text) + "\n" })
		if h.opt.Nodes == Denied && name != "type" {
			files.Deny(path)
		}
	}
	files.Dynamic(batteryNode+"/uevent", func() string {
		var b strings.Builder
		b.WriteString("POWER_SUPPLY_NAME=battery\n")
		for _, name := range order {
			if text, ok := nodes[name]; ok {
				fmt.Fprintf(&b, "POWER_SUPPLY_%s=%s\n", strings.ToUpper(name), h.node(text))
			}
		}
		return b.String()
	})
	if h.opt.Nodes == Denied {
		files.Deny(batteryNode + "/uevent")
	}
	for name, mask := range map[string]int{"usb": maskUSB, "ac": maskAC} {
		files.Dynamic("/sys/class/power_supply/"+name+"/online", func() (s string) {
			h.do(func() { s = digit(h.pluggedMask()&mask != 0) + "\n" })
			return s
		})
		files.Dynamic("/sys/class/power_supply/"+name+"/type", func() string {
			return map[string]string{"usb": "USB", "ac": "Mains"}[name] + "\n"
		})
	}
}

func (h *Handset) node(text func(physics.Readings) string) (s string) {
	h.do(func() { s = text(h.battery.Readings()) })
	return s
}

// networkNodes makes the kernel's own view of the Wi-Fi interface, where the shell may see it.
func (h *Handset) networkNodes() {
	if h.opt.Nodes == Missing {
		return
	}
	for name, text := range map[string]func() string{
		"carrier_changes": func() string { return itoa(h.radios.changes) },
		"operstate":       func() string { return map[bool]string{true: "up", false: "down"}[h.wifiUp()] },
	} {
		path := "/sys/class/net/wlan0/" + name
		h.machine.FS().Dynamic(path, func() (s string) {
			h.do(func() { s = text() + "\n" })
			return s
		})
		if h.opt.Nodes == Denied {
			h.machine.FS().Deny(path)
		}
	}
}

// appProcesses are the apps that run, for ps and pidof. The shell may ask with locks of
// its own held, so the state is not carried on for it.
func (h *Handset) appProcesses() (list []phoneshell.ProcInfo) {
	h.peek(func() {
		for i, a := range h.apps {
			if h.running[a.Package] {
				list = append(list, phoneshell.ProcInfo{PID: 1200 + 7*i, Parent: 700, Session: 700, User: fmt.Sprintf("u0_a%d", 100+i), Argv: []string{a.Package}})
			}
		}
	})
	return list
}

// freeBytes is what is left on the data partition.
func (h *Handset) freeBytes() int64 {
	var full bool
	h.peek(func() { full = h.faults.full })
	if full {
		return 0
	}
	return h.opt.StorageBytes * 6 / 10
}

func round(v float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(v*p) / p
}
