package simulated

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rundown/devices/simulated/physics"
)

// batterySet holds the values that cmd battery set or unplug put in; while it is there,
// nothing in the dump moves.
type batterySet struct {
	level, status, tempDeciC int
	counter                  int64
	ac, usb, wireless        bool
	present                  bool
	mv                       int
}

// Status codes of the battery service.
const (
	statusCharging    = 2
	statusDischarging = 3
	statusNotCharging = 4
	statusFull        = 5
)

func (h *Handset) batteryStatus(r physics.Readings) int {
	switch {
	case !h.power.on:
		return statusDischarging
	case r.Full || r.LevelPct == 100 && !r.Charging:
		return statusFull
	case r.Charging:
		return statusCharging
	default:
		return statusNotCharging
	}
}

// counterShown is what has become of the gauge's counter; ok is false where the handset
// has none.
func (h *Handset) counterShown(r physics.Readings) (c int64, ok bool) {
	switch h.faults.counter {
	case CounterAbsent:
		return 0, false
	case CounterZero:
		return 0, true
	}
	if r.CounterRaw == nil {
		return 0, false
	}
	if h.faults.counter == CounterNegative {
		return -*r.CounterRaw, true
	}
	return *r.CounterRaw, true
}

// batteryNow is the battery service's view: the gauge's, or the frozen one.
func (h *Handset) batteryNow() (batterySet, bool) {
	r := h.battery.Readings()
	c, ok := h.counterShown(r)
	if h.frozen != nil {
		return *h.frozen, ok
	}
	mask := h.pluggedMask()
	return batterySet{
		level: h.faults.levelShown(r), status: h.batteryStatus(r), tempDeciC: r.TempDeciC, counter: c,
		ac: mask&maskAC != 0, usb: mask&maskUSB != 0, wireless: mask&maskWireless != 0, present: true, mv: r.VoltageMV,
	}, ok
}

// health codes: good, and what heat makes of it.
func healthOf(tempDeciC int) int {
	switch {
	case tempDeciC >= 600:
		return 3
	case tempDeciC <= -200:
		return 7
	}
	return 2
}

func dumpBattery(h *Handset, p *page) {
	b, hasCounter := h.batteryNow()
	r := h.battery.Readings()
	if h.opt.Battery == SectionBefore {
		h.sectionBefore(p, b, r)
	}
	maxUA, maxUV := 0, 0
	if b.ac || b.usb {
		maxUA, maxUV = 3000000, 9000000
		if b.usb {
			maxUA, maxUV = 500000, 5000000
		}
	}
	switch h.opt.Battery {
	case DoubledKey:
		maxUA, maxUV = 0, 0
	case ExtraCurrentLine:
		maxUA, maxUV = maxUA/1000, maxUV/1000
	}
	if h.faults.prints.MilliOffer {
		maxUA, maxUV = maxUA/1000, maxUV/1000
	}
	p.line("Current Battery Service state:")
	if h.frozen != nil {
		p.line("  (UPDATES STOPPED -- use 'reset' to restart)")
	}
	p.line("  AC powered: %t", b.ac)
	p.line("  USB powered: %t", b.usb)
	p.line("  Wireless powered: %t", b.wireless)
	if h.ways.docks {
		p.line("  Dock powered: false")
	}
	p.line("  Max charging current: %d", maxUA)
	if h.ways.broadcastLines {
		p.line(" Time when the latest updated value of the Max charging current was sent via battery changed broadcast: %s", spell(h.uptime()/7))
	}
	p.line("  Max charging voltage: %d", maxUV)
	if hasCounter {
		p.line("  Charge counter: %d", b.counter)
	}
	p.line("  status: %d", b.status)
	p.line("  health: %d", healthOf(b.tempDeciC))
	p.line("  present: %t", b.present)
	p.line("  level: %d", b.level)
	p.line("  scale: 100")
	p.line("  voltage: %s", h.faults.prints.voltage(b.mv))
	if h.ways.broadcastLines {
		p.line(" Time when the latest updated value of the voltage was sent via battery changed broadcast: %s", spell(h.uptime()*9/10))
		p.line(" The last voltage value sent via the battery changed broadcast: %d", b.mv+11)
	}
	if h.opt.Battery == ExtraCurrentLine && r.CurrentRaw != nil {
		p.line("  current: %d", int64(math.Abs(float64(*r.CurrentRaw))))
	}
	if !h.faults.prints.NoTemperature {
		p.line("  temperature: %s", h.faults.prints.temperature(b.tempDeciC))
	}
	p.line("  technology: Li-ion")
	if h.ways.chargingState {
		p.line("  Charging state: %d", map[bool]int{true: 1, false: 0}[b.status == statusCharging])
		p.line("  Charging policy: 1")
	}
	if h.ways.broadcastLines {
		p.line("  Capacity level: %d", capacityLevel(b.level))
	}
	switch h.opt.Battery {
	case DoubledKey:
		h.doubledKey(p, b, r)
	case TrailingLines:
		p.line("VendorBatteryService first usage time:")
		p.line("  mSetBatteryUsageTimeCount=56")
		p.line("  mNtpTime=%d", h.wall().UnixMilli())
		p.line("  mParseNtpTime=")
	}
}

func capacityLevel(level int) int {
	switch {
	case level <= 5:
		return 1
	case level <= 15:
		return 2
	case level >= 100:
		return 5
	case level >= 90:
		return 4
	}
	return 3
}

func (h *Handset) doubledKey(p *page, b batterySet, r physics.Readings) {
	p.line("  batterySWSelfDischarging: false")
	p.line("  batteryMiscEvent: 0")
	p.line("  mVndPlugTypeSummary: %d", h.pluggedMask())
	if r.CurrentRaw != nil {
		p.line("  current now: %d", *r.CurrentRaw/1000)
	}
	p.line("  charge counter: %d", b.counter)
	p.line("LLB CAL:")
	p.line("LLB MAN: 20240521")
	p.line("BatteryInfoBackUp")
	p.line("  mSavedBatteryMaxTemp: 412")
	p.line("[BattActionChangedLogBuffer]")
	for i := range 3 {
		at := h.wall().UTC().Add(time.Duration(i-3) * time.Minute).Format("01-02 15:04:05.000")
		p.line("%s  Sending ACTION_BATTERY_CHANGED: level:%d, status:%d, health:2, plugType:%d, voltage:%d, temperature:%d", at, min(b.level+2-i, 100), b.status, h.pluggedMask(), b.mv+9, b.tempDeciC-1)
	}
}

func (h *Handset) sectionBefore(p *page, b batterySet, r physics.Readings) {
	p.line("Current VENDORX Battery Service state:")
	p.line("  Charger voltage : %d", map[bool]int{true: 9004, false: 0}[h.power.on])
	if r.CurrentRaw != nil {
		p.line("  Battery current : %d", *r.CurrentRaw/1000)
	}
	p.line("  ChargerTechnology: 0")
	p.line("  level : %d", min(b.level+1, 100)) // the vendor's own idea of it
	p.line("  UpdatesStopped: false")
	p.line("  BatteryHwStatus: -2147483648")
	p.line("")
	p.line("  PhoneTemp: %d", b.tempDeciC-12)
	p.line("  ThermalFeatureOn: true")
}

// spell prints a duration as the system's dumps do: +1h2m3s4ms.
func spell(d time.Duration) string {
	if d <= 0 {
		return "0"
	}
	ms := d.Milliseconds()
	var b strings.Builder
	b.WriteByte('+')
	for _, u := range []struct {
		size int64
		name string
	}{{86400000, "d"}, {3600000, "h"}, {60000, "m"}, {1000, "s"}, {1, "ms"}} {
		if ms >= u.size || b.Len() > 1 {
			fmt.Fprintf(&b, "%d%s", ms/u.size, u.name)
			ms %= u.size
		}
	}
	return b.String()
}

// batteryVerb is cmd battery and dumpsys battery with arguments.
func batteryVerb(h *Handset, c *call) int {
	verb := c.arg(0)
	args := c.args[min(1, len(c.args)):]
	if len(args) > 0 && args[0] == "-f" {
		args = args[1:]
	}
	switch verb {
	case "unplug":
		h.do(func() {
			b, _ := h.batteryNow()
			b.ac, b.usb, b.wireless = false, false, false
			h.frozen = &b
		})
	case "reset":
		h.do(func() { h.frozen = nil })
	case "set":
		if len(args) != 2 {
			return c.fail(255, "No value specified\n")
		}
		n, err := strconv.Atoi(args[1])
		if err != nil {
			return c.fail(255, "Bad value: %s\n", args[1])
		}
		known := true
		h.do(func() {
			b, _ := h.batteryNow()
			switch args[0] {
			case "ac":
				b.ac = n != 0
			case "usb":
				b.usb = n != 0
			case "wireless":
				b.wireless = n != 0
			case "status":
				b.status = n
			case "level":
				b.level = n
			case "temp":
				b.tempDeciC = n
			case "present":
				b.present = n != 0
			case "counter":
				b.counter = int64(n)
			case "invalid":
			default:
				known = false
			}
			if known {
				h.frozen = &b
			}
		})
		if !known {
			return c.fail(255, "Unknown set option: %s\n", args[0])
		}
	case "get":
		if !h.ways.batteryGet {
			return unknownVerb(c)
		}
		return h.show(c, func(p *page) {
			b, _ := h.batteryNow()
			values := map[string]any{"ac": b.ac, "usb": b.usb, "wireless": b.wireless, "status": b.status, "level": b.level, "temp": b.tempDeciC, "present": b.present, "counter": b.counter}
			if len(args) == 0 || values[args[0]] == nil {
				p.line("Unknown get option: %s", strings.Join(args, " "))
				return
			}
			p.line("%v", values[args[0]])
		})
	default:
		return unknownVerb(c)
	}
	return 0
}

// dumpHealth is the health interface's own line.
func dumpHealth(h *Handset, p *page) {
	b, _ := h.batteryNow()
	r := h.battery.Readings()
	current := int64(0)
	if r.CurrentRaw != nil {
		current = *r.CurrentRaw
	}
	p.line("")
	p.line("HealthInfo{chargerAcOnline: %t, chargerUsbOnline: %t, chargerWirelessOnline: %t, chargerDockOnline: false, maxChargingCurrentMicroamps: 0, maxChargingVoltageMicrovolts: 0, batteryStatus: %s, batteryHealth: GOOD, batteryPresent: true, batteryLevel: %d, batteryVoltageMillivolts: %d, batteryTemperatureTenthsCelsius: %d, batteryCurrentMicroamps: %d, batteryCycleCount: %d, batteryFullChargeUah: %d, batteryChargeCounterUah: %d, batteryTechnology: Li-ion, batteryCurrentAverageMicroamps: %d, batteryCapacityLevel: NORMAL, batteryChargeTimeToFullNowSeconds: -1, batteryFullChargeDesignCapacityUah: %d, chargingState: INVALID, chargingPolicy: INVALID}",
		b.ac, b.usb, b.wireless, map[int]string{2: "CHARGING", 3: "DISCHARGING", 4: "NOT_CHARGING", 5: "FULL"}[b.status], b.level, b.mv, b.tempDeciC, current, 40+h.opt.Seed%300, int(h.opt.CapacityMAh*1000), b.counter, current, int(math.Round(h.opt.CapacityMAh/50)*50*1000))
}
