package conformance

import (
	"slices"

	"benchyard/instruments/rf"
)

// source says where a figure stands in print, and whether it was read there
// ("spec") or is from memory ("memory").
type source struct {
	Version    string
	Clause     string
	Provenance string
}

func (s source) String() string { return s.Version + " " + s.Clause }

// tolerance is a test tolerance by frequency and channel bandwidth. The first
// row that covers both holds; where none does, no tolerance is known.
type tolerance struct {
	Source source
	Rows   []toleranceRow
}

type toleranceRow struct {
	Above         rf.Hertz // lowest frequency, excluded
	UpTo          rf.Hertz `yaml:"up_to"`           // highest frequency, included
	BandwidthUpTo rf.Hertz `yaml:"bandwidth_up_to"` // widest channel, included; zero means any
	Bands         []string // empty: all
	Value         float64
	Lab           *source `yaml:"-"` // of a row that a lab laid over; nil: that of the table
	Figure, Unit  string  `yaml:"-"` // of such a row: what it is a tolerance of
	Reason        string  `yaml:"-"` // of such a row: why it may loosen
}

// at returns the tolerance for a figure at f of a carrier, and its source.
func (t tolerance) at(f rf.Hertz, c Carrier) (value float64, from source, known bool) {
	for _, row := range t.Rows {
		if !row.covers(f, c) {
			continue
		}
		if row.Lab != nil {
			return row.Value, *row.Lab, true
		}
		return row.Value, t.Source, true
	}
	return 0, source{}, false
}

func (r toleranceRow) covers(f rf.Hertz, c Carrier) bool {
	return f > r.Above && f <= r.UpTo && (r.BandwidthUpTo == 0 || c.Bandwidth <= r.BandwidthUpTo) &&
		(len(r.Bands) == 0 || slices.Contains(r.Bands, c.Band))
}

// bandRow is one operating band as limits/bands.yaml has it.
type bandRow struct {
	Name     string
	Spectrum struct {
		Duplex   string
		Uplink   rf.Range
		Downlink rf.Range
	}
	Refused   string
	Emissions struct {
		DeltaC        rf.Hertz `yaml:"delta_f_obue_1c"`
		DeltaH        rf.Hertz `yaml:"delta_f_obue_1h"`
		SpuriousUpper rf.Hertz `yaml:"spurious_upper"`
	}
	Rasters    []rasterRow
	Bandwidths struct {
		SCS15 []float64 `yaml:"scs_15khz"`
		SCS30 []float64 `yaml:"scs_30khz"`
		SCS60 []float64 `yaml:"scs_60khz"`
	} `yaml:"bandwidths_mhz"`
	Notes []struct {
		Bandwidth rf.Hertz
		Text      string
	}
}

// rasterRow is one channel raster of a band.
type rasterRow struct {
	Spacing            rf.Hertz
	First, Every, Last int
	Only               []int
}

// numberRow is one row of a table that numbers frequencies.
type numberRow struct {
	Step, Minor, Offset    rf.Hertz
	Reference, First, Last int
}

// blockRow is what one channel bandwidth means at one subcarrier spacing.
type blockRow struct {
	SCS, Bandwidth rf.Hertz
	Blocks         int
	Guard          rf.Hertz
	DynamicRange   float64 `yaml:"dynamic_range"`
}

// scope says which carriers and declarations a row holds for. Empty members
// do not restrict.
type scope struct {
	Bands, Except  []string
	Type           Type
	BandwidthAbove rf.Hertz `yaml:"bandwidth_above"`
	BandwidthUpTo  rf.Hertz `yaml:"bandwidth_up_to"`
	RatedAbove     *rf.DBm  `yaml:"rated_above"`
	RatedUpTo      *rf.DBm  `yaml:"rated_up_to"`
}

// maskRow is one operating band unwanted emission mask.
type maskRow struct {
	Name       string
	Class      Class
	Category   string
	Option     int
	Clause     string
	TestClause string `yaml:"test_clause"`
	Applies    []scope
	Segments   []segment
}

// segment is one row of a mask; limits/masks.yaml explains the members.
type segment struct {
	From, To   rf.Hertz
	Core       float64
	CoreTo     *float64 `yaml:"core_to"`
	Relative   bool
	Cap        *float64
	Filter     rf.Hertz
	Provenance string
	Tolerance  string
}

// spuriousRow is one frequency range of the general spurious limits.
type spuriousRow struct {
	From, To, Filter rf.Hertz
	CategoryA        float64 `yaml:"category_a"`
	CategoryB        float64 `yaml:"category_b"`
}

type requirementTables struct {
	LimitSet string `yaml:"limit_set"`
	Summary  string
	Classes  struct {
		Source source
		Rows   []struct {
			Class     Class
			RatedUpTo *rf.DBm `yaml:"rated_up_to"`
		}
		Regional []struct {
			Option    string
			Bands     []string
			Watts     float64 // in every Bandwidth of the channel
			Bandwidth rf.Hertz
		}
	}
	OutputPower struct {
		Source    source
		Core      float64
		Extreme   float64
		Tolerance tolerance
	} `yaml:"output_power"`
	DynamicRange struct {
		Source    source
		Tolerance tolerance
	} `yaml:"dynamic_range"`
	OffPower   flatRow `yaml:"off_power"`
	Transient  flatRow
	Modulation struct {
		Source    source
		Rows      []modulationRow
		Tolerance tolerance
	}
	TimeAlignment struct {
		Source    source
		Rows      []alignmentRow
		Tolerance tolerance
	} `yaml:"time_alignment"`
	OccupiedBandwidth struct {
		Source    source
		Tolerance tolerance
	} `yaml:"occupied_bandwidth"`
	LeakageRatio struct {
		Source   source
		Relative []relativeRow
		// EUTRA is the assumed 5 MHz neighbour of E-UTRA; offsets run from the
		// channel edge to its centre.
		EUTRA struct {
			Source  source
			Applies scope
			Offsets []rf.Hertz
			Filter  rf.Hertz
		} `yaml:"eutra"`
		Gaps      gapTable
		Tolerance tolerance
		Absolute  struct {
			Source source
			Rows   []absoluteRow
		}
		AbsoluteTolerance tolerance `yaml:"absolute_tolerance"`
	} `yaml:"leakage_ratio"`
	OperatingBand map[string]*tolerance `yaml:"operating_band"`
	Spurious      struct {
		Source    source
		Rows      []spuriousRow
		Tolerance tolerance
	}
	FrequencyError struct {
		Source source
		Rows   []struct {
			Class Class
			PPM   float64
		}
		Tolerance tolerance
	} `yaml:"frequency_error"`
	Intermodulation struct {
		Source     source
		BelowRated rf.DB `yaml:"below_rated"`
		Option     string
		Anywhere   []string
		More       []struct {
			Bands     []string
			Bandwidth rf.Hertz
		}
	}
}

// flatRow is one figure with its tolerance.
type flatRow struct {
	Source    source
	Core      float64
	Tolerance tolerance
}

// modulationRow is the error vector magnitude of one modulation.
type modulationRow struct {
	Name    string
	UpTo    rf.Hertz `yaml:"up_to"` // highest carrier frequency, included; zero means any
	Percent float64
}

// alignmentRow is one time alignment error, in nanoseconds.
type alignmentRow struct {
	Name, Title, Option string
	Core                float64
}

// relativeRow is one relative leakage limit, dB.
type relativeRow struct {
	Name    string
	Applies scope
	Core    float64
}

// absoluteRow is one absolute leakage limit, dBm/MHz.
type absoluteRow struct {
	Class    Class
	Category string  // empty: both
	PerMHz   float64 `yaml:"per_mhz"`
}

// limitSet is the whole set, decoded and validated. It is never written after load.
type limitSet struct {
	Bands struct {
		Source source
		Bands  []bandRow
	}
	Channels struct {
		Numbering, Synchronisation struct {
			Source source
			Rows   []numberRow
		}
		ResourceBlocks struct {
			Source source
			Rows   []blockRow
		} `yaml:"resource_blocks"`
	}
	Masks struct {
		Source source
		Masks  []maskRow
	}
	Requirements requirementTables
	Options      optionTables
	// Laid are the sources of core figures that a lab replaced, by clause/figure.
	Laid map[string]source
	// Loosened are those of them that allow more than the published ones; a
	// tolerance knows by itself.
	Loosened map[string]Loosening
}
