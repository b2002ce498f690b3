package results

// Units are those in which a handset gave its readings in one segment, as they were decided
// when it began. Voltages and temperatures are stored in mV and °C whatever they were;
// current and charge counter are stored raw, and these say what they are.
type Units struct {
	Voltage     Unit `json:"voltage,omitzero"`        // as printed; to mV
	Temperature Unit `json:"temperature,omitzero"`    // as printed; to °C
	Current     Unit `json:"current,omitzero"`        // of current_raw; to mA
	Counter     Unit `json:"charge_counter,omitzero"` // of charge_counter_raw; to mAh
	// Notes say in words where a reading was odd and what was made of it.
	Notes []string `json:"notes,omitempty"`
}

// A Unit says what a raw 1 is worth.
type Unit struct {
	Name    string  `json:"name,omitempty"` // "mV", "0.1 °C", "µA", "mAh"; empty: it cannot be told
	Each    float64 `json:"each,omitempty"` // 0: it cannot be told
	Assumed bool    `json:"assumed,omitempty"`
	Why     string  `json:"why,omitempty"` // what it was told by, or why it cannot be told
}
