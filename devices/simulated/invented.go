package simulated

import "rundown/devices/simulated/physics"

// An Invented handset is one of the four that the demo shows: no such phones exist.
type Invented struct {
	Name    string
	Options Options
}

// InventedHandsets are the demo's four, different in system, gauge, panel and charger.
// Clock, level and the like are for the caller to add.
func InventedHandsets() []Invented {
	return []Invented{
		{Name: "Alder", Options: Options{
			Serial: "ALDER01", Model: "AL-1", Maker: "Alder", Product: "alder1", Android: Android14, Seed: 11,
			CapacityMAh: 4690, NominalMV: 3870, ROhm: 0.11, Cell: physics.Phone445, AmbientC: 23,
			Gauge: physics.GaugeOptions{Rounding: physics.Nearest, LevelRefreshS: 5, Counter: physics.FineCounter, CounterRefreshS: 5,
				CurrentRefreshS: 1, CurrentNoise: 0.01, VoltageRefreshS: 5, VoltageNoiseMV: 2},
			Power:   physics.PowerOptions{Drift: 0.03, WanderSD: 0.03, StartExtra: 0.06},
			Charger: physics.ChargerOptions{MaxW: 25},
			ScreenW: 1080, ScreenH: 2400, Density: 420, BrightnessMax: 255, Luminance: PowerLaw(2, 610, 1.85),
			RefreshHz: []float64{60, 120}, NFC: true,
		}},
		{Name: "Birch", Options: Options{
			Serial: "BIRCH02", Model: "BI-20", Maker: "Birch", Product: "birch20", Android: Android16, Seed: 22,
			CapacityMAh: 5120, NominalMV: 3890, ROhm: 0.09, Cell: physics.Phone445, AmbientC: 23,
			Gauge: physics.GaugeOptions{Rounding: physics.Floor, LevelRefreshS: 30, LevelLagS: 40, BendSDPct: 0.2,
				Counter: physics.MediumCounter, CounterUnit: physics.MilliAmpHours, CounterRefreshS: 30,
				CurrentRefreshS: 2, CurrentNoise: 0.02, CurrentPositive: true, VoltageRefreshS: 10, VoltageStepMV: 5, WholeDegrees: true},
			Power:   physics.PowerOptions{Drift: 0.05, WanderSD: 0.05, StartExtra: 0.08},
			Charger: physics.ChargerOptions{MaxW: 45},
			ScreenW: 1220, ScreenH: 2712, Density: 460, BrightnessMax: 4095, Luminance: PowerLaw(1.6, 780, 2.1),
			RefreshHz: []float64{60, 90, 120}, NFC: true, Battery: TrailingLines, Nodes: Denied,
		}},
		{Name: "Cedar", Options: Options{
			Serial: "CEDAR03", Model: "CE 5", Maker: "Cedar", Product: "cedar5", Android: Android12, Seed: 33,
			CapacityMAh: 4180, NominalMV: 3850, ROhm: 0.15, Cell: physics.Phone440, AmbientC: 23,
			Gauge: physics.GaugeOptions{Rounding: physics.Ceil, LevelRefreshS: 10, LevelLagS: 20, BendSDPct: 0.25,
				Counter: physics.CoarseCounter, CounterRefreshS: 10, CurrentRefreshS: 5, CurrentNoise: 0.03,
				CurrentUnitUA: 1000, VoltageRefreshS: 10, VoltageNoiseMV: 4},
			Power:   physics.PowerOptions{Drift: 0.02, WanderSD: 0.04, StartExtra: 0.05},
			Charger: physics.ChargerOptions{MaxW: 18},
			ScreenW: 1080, ScreenH: 2340, Density: 400, BrightnessMax: 255, Luminance: PowerLaw(2.4, 470, 1.7),
			RefreshHz: []float64{60, 90}, NFC: true, Battery: DoubledKey,
		}},
		{Name: "Larch", Options: Options{
			Serial: "LARCH04", Model: "LA-9", Maker: "Larch", Product: "larch9", Android: Android9, Seed: 45,
			CapacityMAh: 3010, NominalMV: 3850, ROhm: 0.18, Cell: physics.Phone435, AmbientC: 23,
			Gauge: physics.GaugeOptions{Rounding: physics.Nearest, LevelRefreshS: 60, LevelLagS: 60, BendSDPct: 0.3,
				Counter: physics.FineCounter, CounterUnit: physics.DeadCounter, NoCurrent: true, VoltageRefreshS: 60, VoltageNoiseMV: 5},
			Power:   physics.PowerOptions{Drift: 0.04, WanderSD: 0.06, StartExtra: 0.1},
			Charger: physics.ChargerOptions{MaxW: 10},
			ScreenW: 1080, ScreenH: 1920, Density: 440, BrightnessMax: 255, Luminance: PowerLaw(3, 430, 1.5),
			Nodes: Missing,
		}},
	}
}
