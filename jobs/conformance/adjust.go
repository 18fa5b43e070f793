package conformance

import (
	"maps"
	"slices"
)

// adjustable is one figure of a set that a lab's file may replace.
type adjustable struct {
	clause, figure string
	unit           string
	core           *float64   // nil: only the tolerance
	least          bool       // a lower bound: a smaller figure loosens it
	tolerance      *tolerance // nil: only the core value
}

// adjustables returns every figure of the tables that may be replaced, with
// pointers into them.
func (l *limitSet) adjustables() []adjustable {
	r, o := &l.Requirements, &l.Options
	list := []adjustable{
		{clause: OutputPowerClause, figure: "normal", unit: "dB", core: &r.OutputPower.Core},
		{clause: OutputPowerClause, figure: "extreme", unit: "dB", core: &r.OutputPower.Extreme},
		{clause: OutputPowerClause, figure: "output power", unit: "dB", tolerance: &r.OutputPower.Tolerance},
		{clause: DynamicRangeClause, figure: "dynamic range", unit: "dB", tolerance: &r.DynamicRange.Tolerance},
		{clause: OffPowerClause, figure: "off power", unit: "dB", core: &r.OffPower.Core, tolerance: &r.OffPower.Tolerance},
		{clause: TransientClause, figure: "transient period", unit: "µs", core: &r.Transient.Core, tolerance: &r.Transient.Tolerance},
		{clause: FrequencyErrorClause, figure: "frequency error", unit: "Hz", tolerance: &r.FrequencyError.Tolerance},
		{clause: ModulationClause, figure: "modulation", unit: "%", tolerance: &r.Modulation.Tolerance},
		{clause: TimeAlignmentClause, figure: "time alignment", unit: "ns", tolerance: &r.TimeAlignment.Tolerance},
		{clause: OccupiedBandwidthClause, figure: "occupied bandwidth", unit: "Hz", tolerance: &r.OccupiedBandwidth.Tolerance},
		{clause: LeakageRatioClause, figure: "relative", unit: "dB", tolerance: &r.LeakageRatio.Tolerance},
		{clause: LeakageRatioClause, figure: "absolute", unit: "dB", tolerance: &r.LeakageRatio.AbsoluteTolerance},
		{clause: SpuriousEmissionsClause, figure: "general", unit: "dB", tolerance: &r.Spurious.Tolerance},
		{clause: SpuriousEmissionsClause, figure: "protection", unit: "dB", tolerance: &o.Protection.Tolerance},
		{clause: SpuriousEmissionsClause, figure: "co-existence", unit: "dB", tolerance: &o.Coexistence.Tolerance},
		{clause: SpuriousEmissionsClause, figure: "co-location", unit: "dB", tolerance: &o.Colocation.Tolerance},
		{clause: SpuriousEmissionsClause, figure: "additional", unit: "dB", tolerance: &o.Tolerance},
	}
	for _, name := range slices.Sorted(maps.Keys(r.OperatingBand)) {
		list = append(list, adjustable{clause: OperatingBandClause, figure: name, unit: "dB", tolerance: r.OperatingBand[name]})
	}
	for i := range r.FrequencyError.Rows {
		row := &r.FrequencyError.Rows[i]
		list = append(list, adjustable{clause: FrequencyErrorClause, figure: string(row.Class), unit: "ppm", core: &row.PPM})
	}
	for i := range r.Modulation.Rows {
		row := &r.Modulation.Rows[i]
		list = append(list, adjustable{clause: ModulationClause, figure: row.figure(), unit: "%", core: &row.Percent})
	}
	for i := range r.TimeAlignment.Rows {
		row := &r.TimeAlignment.Rows[i]
		list = append(list, adjustable{clause: TimeAlignmentClause, figure: row.Name, unit: "ns", core: &row.Core})
	}
	for i := range r.LeakageRatio.Relative {
		row := &r.LeakageRatio.Relative[i]
		list = append(list, adjustable{clause: LeakageRatioClause, figure: row.Name, unit: "dB", core: &row.Core, least: true})
	}
	for i := range r.LeakageRatio.Absolute.Rows {
		row := &r.LeakageRatio.Absolute.Rows[i]
		list = append(list, adjustable{clause: LeakageRatioClause, figure: row.figure(), unit: "dBm/MHz", core: &row.PerMHz})
	}
	return list
}

// figure names the error vector magnitude of one modulation, with the range of
// carrier frequencies where that decides.
func (r modulationRow) figure() string {
	if r.UpTo > 0 {
		return r.Name + " up to " + r.UpTo.String()
	}
	return r.Name
}

// figure names the absolute limit of one class.
func (r absoluteRow) figure() string {
	if r.Category == "" {
		return string(r.Class)
	}
	return string(r.Class) + " category " + r.Category
}

// clone copies the tables as deep as adjustables points and groups grow.
func (l *limitSet) clone() *limitSet {
	c := *l
	r := &c.Requirements
	r.OperatingBand = map[string]*tolerance{}
	for name, t := range l.Requirements.OperatingBand {
		own := *t
		r.OperatingBand[name] = &own
	}
	r.FrequencyError.Rows = slices.Clone(r.FrequencyError.Rows)
	r.Modulation.Rows = slices.Clone(r.Modulation.Rows)
	r.TimeAlignment.Rows = slices.Clone(r.TimeAlignment.Rows)
	r.LeakageRatio.Relative = slices.Clone(r.LeakageRatio.Relative)
	r.LeakageRatio.Absolute.Rows = slices.Clone(r.LeakageRatio.Absolute.Rows)
	c.Options.Groups = slices.Clone(c.Options.Groups)
	c.Laid, c.Loosened = maps.Clone(c.Laid), maps.Clone(c.Loosened)
	return &c
}

// coreSource returns where a core figure stands: in a lab's file, or in print.
func (l *limitSet) coreSource(clause, figure string, printed source) source {
	if own, ok := l.Laid[clause+"/"+figure]; ok {
		return own
	}
	return printed
}
