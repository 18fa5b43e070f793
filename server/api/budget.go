package api

// UncertaintyPart is one influence on a figure.
type UncertaintyPart struct {
	Name             string   `json:"name"`
	Kind             string   `json:"kind"`               // "normal", "rectangular", "triangular", "arcsine", "repeated" or "standard"
	Value            float64  `json:"value"`              // as it is known: expanded, half-width or deviation, by kind
	Divisor          float64  `json:"divisor"`            // makes a standard uncertainty of value
	Sensitivity      float64  `json:"sensitivity"`        // by how much the figure moves when the influence moves by one
	Standard         float64  `json:"standard"`           // contribution to the figure, in its unit
	DegreesOfFreedom *float64 `json:"degrees_of_freedom"` // null: infinitely many
}

// Budget is the uncertainty of one figure with its parts (JCGM 100).
type Budget struct {
	Parts        []UncertaintyPart `json:"parts"`
	Combined     float64           `json:"combined"`      // standard uncertainty, in the unit of the margin
	EffectiveDoF *float64          `json:"effective_dof"` // null: infinitely many
	Coverage     float64           `json:"coverage"`      // factor k, for 95.45 %
	Expanded     float64           `json:"expanded"`      // coverage times combined
}

// NoiseFloor is the part of the analyzer's noise in one figure; of a leakage ratio
// in the level of the adjacent channel. Levels are those at the connector.
type NoiseFloor struct {
	MeasuredDBm float64 `json:"measured_dbm"` // the noise in it
	FloorDBm    float64 `json:"floor_dbm"`    // the noise alone, by the same method with the transmitter muted
	ExcessDB    float64 `json:"excess_db"`    // measured_dbm over floor_dbm
	TakenDB     float64 `json:"taken_db"`     // taken off; 0 where the excess is below 3 dB
}
