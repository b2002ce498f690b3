package simulated

import (
	"context"
	"math"
	"net"
	"strconv"
	"strings"
	"time"

	"rundown/devices/simulated/physics"
)

// A Lock is what stands before the home screen when the handset wakes.
type Lock int

// The locks. A test handset has none, or the one that a swipe opens.
const (
	SwipeLock Lock = iota
	NoLock
	SecureLock // a PIN, which no command can enter
)

// A Dialect is how a maker has bent the text of dumpsys battery.
type Dialect int

// The dialects, each after a public report (shapes only, no maker's words).
const (
	PlainText        Dialect = iota
	DoubledKey               // a second "charge counter" in lower case, vendor lines, log buffers
	SectionBefore            // a whole vendor section before the system's header
	TrailingLines            // key=value lines after it
	ExtraCurrentLine         // "current:" between voltage and temperature, mA and mV maxima
)

// Access is what the shell may do with the nodes of /sys/class/power_supply.
type Access int

// The three ways in which handsets differ.
const (
	Readable Access = iota
	Denied
	Missing
)

// Options say what handset is made. Everything may be left out.
type Options struct {
	Serial  string
	Model   string
	Maker   string
	Product string
	Android Flavour
	Seed    int64

	LevelPct    float64 // true charge at the start, %; 0 stands for 93
	CapacityMAh float64 // as it is, age included; 0 stands for 4500
	NominalMV   float64 // the maker's, for the label; 0 stands for 3870
	ROhm        float64 // 0 stands for 0.13
	Cell        *physics.Curve
	Gauge       physics.GaugeOptions // its zero value stands for a gauge without faults and with a fine counter
	Power       physics.PowerOptions
	Heat        physics.HeatOptions
	Charger     physics.ChargerOptions
	ChargerUSB  bool       // the power is a host's port ("USB powered"), not a mains charger
	AmbientC    float64    // 0 stands for 22; see Frost for a room at freezing
	Frost       bool       // AmbientC means what it says, 0 included
	ScalePower  float64    // of everything the handset draws; 0 stands for 1
	Suspend     Suspend    // how it sleeps
	Throttling  Throttling // how it slows down when it is hot

	ScreenW, ScreenH int // px; 0 stands for 1080 by 2340
	Density          int
	BrightnessMax    int // largest brightness setting; 0 stands for 255
	// Luminance is the panel's true curve: cd/m², full white, at a fraction of the
	// brightness range. nil stands for one from 2 to 520 cd/m².
	Luminance func(fraction float64) float64
	RefreshHz []float64 // rates of the panel; nil stands for 60 only
	Lock      Lock
	NFC       bool
	NoSIM     bool

	Battery   Dialect
	Prints    Printing // units of the battery dump
	Nodes     Access
	NoShellV2 bool // the adb daemon cannot report exit codes
	// LinkNeedsPower is set where the link is the charging cable: the gate cuts both.
	LinkNeedsPower bool

	Apps              []App
	PlayerLoops       bool // the player repeats its clip
	PlayerTellsRarely bool // the player tells its position at changes of state only
	// BrowserAsks are the buttons with which the browser asks once for each origin whether
	// a page may use camera and microphone; all but the last allow it. The page waits
	// meanwhile, and it waits for ever while the browser itself has not been granted both.
	// nil: it asks nothing and needs no grant.
	BrowserAsks []string

	Number   string    // telephone number of the SIM, on Exchange
	Exchange *Exchange // nil: every call is to a number outside, which answers by itself

	Uptime  time.Duration // at the start
	Clock   Clock         // nil stands for WallClock
	Browser Browser       // nil stands for the built-in reader of pages
	// Dial opens the connections that the handset makes over Wi-Fi or mobile data; nil
	// stands for the host's network.
	Dial func(ctx context.Context, network, addr string) (net.Conn, error)
	// StorageBytes is the size of the data partition; 0 stands for 64 GB.
	StorageBytes int64
	// Removed is told each file that is removed on the handset, with its content: tests
	// compare what was recorded with what was stored. nil: nobody is told.
	Removed func(name string, content []byte)
	// Ran is told of each program that a process of the handset's shell begins, by its
	// arguments, and with nil of the end of each process: tests see what runs side by side
	// without looking. It must not call the handset. nil: nobody is told.
	Ran func(pid int, argv []string)
	// Asked is told each command line that comes over the link, before it is carried out.
	Asked func(command string)
}

func (o Options) filled() Options {
	if o.Android == 0 {
		o.Android = Android14
	}
	if _, ok := flavourTable[o.Android]; !ok {
		panic("simulated: no such flavour: Android " + strconv.Itoa(int(o.Android)))
	}
	text := func(s *string, d string) {
		if *s == "" {
			*s = d
		}
	}
	num := func(v *float64, d float64) {
		if *v == 0 {
			*v = d
		}
	}
	text(&o.Serial, "SIM"+strconv.FormatInt(1000+o.Seed, 10))
	text(&o.Model, "SIM-1")
	text(&o.Maker, "Sim")
	text(&o.Product, strings.ToLower(strings.NewReplacer("-", "", " ", "").Replace(o.Model)))
	num(&o.LevelPct, 93)
	num(&o.CapacityMAh, 4500)
	num(&o.NominalMV, 3870)
	num(&o.ROhm, 0.13)
	num(&o.ScalePower, 1)
	if o.AmbientC == 0 && !o.Frost {
		o.AmbientC = 22
	}
	if o.Gauge == (physics.GaugeOptions{}) {
		o.Gauge.Counter, o.Gauge.Rounding = physics.FineCounter, physics.Nearest
	}
	if o.ScreenW == 0 || o.ScreenH == 0 {
		o.ScreenW, o.ScreenH = 1080, 2340
	}
	if o.Density == 0 {
		o.Density = 420
	}
	if o.BrightnessMax == 0 {
		o.BrightnessMax = 255
	}
	if o.Luminance == nil {
		o.Luminance = PowerLaw(2, 520, 1.9)
	}
	if len(o.RefreshHz) == 0 {
		o.RefreshHz = []float64{60}
	}
	if o.Clock == nil {
		o.Clock = WallClock()
	}
	if o.Browser == nil {
		o.Browser = pageReader{}
	}
	if o.Dial == nil {
		o.Dial = (&net.Dialer{Timeout: 10 * time.Second}).DialContext
	}
	o.Suspend = o.Suspend.filled()
	if o.StorageBytes == 0 {
		o.StorageBytes = 64e9
	}
	return o
}

func (o Options) physics() physics.Options {
	return physics.Options{
		Seed:     uint64(o.Seed),
		Cell:     physics.Cell{OCV: o.Cell, CapacityMAh: o.CapacityMAh, ROhm: o.ROhm},
		SoC:      o.LevelPct / 100,
		AmbientC: o.AmbientC,
		Power:    o.Power,
		Heat:     o.Heat,
		Gauge:    o.Gauge,
		Charger:  o.Charger,
	}
}

// PowerLaw is a panel whose luminance rises from least to most (cd/m²) with a power of
// the brightness fraction. Invented; real panels bend in ways of their own.
func PowerLaw(least, most, exponent float64) func(float64) float64 {
	return func(fraction float64) float64 {
		return least + (most-least)*math.Pow(clamp(fraction, 0, 1), exponent)
	}
}
