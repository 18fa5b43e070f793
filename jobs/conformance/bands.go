package conformance

import (
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// Band is one operating band of FR1 as TS 38.104 has it.
type Band struct {
	Name          string   // "n78"
	Duplex        string   // "FDD", "TDD", "SDL" or "SUL"
	UL, DL        rf.Range // zero where the band has no uplink or no downlink
	SpuriousUpper rf.Hertz // upper end of the general spurious range (6.6.5.2.1); zero without a downlink
	Rasters       []Raster // downlink channel rasters, finest first
	Notes         []BandwidthNote
	// Refused says why this limit set places no carrier in the band; empty
	// where it does.
	Refused string

	delta      map[Type]rf.Hertz
	bandwidths map[rf.Hertz][]rf.Hertz
}

// Raster is one channel raster: N_REF from First to Last in steps of Every.
type Raster struct {
	Spacing            rf.Hertz // delta F_Raster
	First, Every, Last int      // N_REF
	Only               []int    // the only allowed N_REF where the standard lists them; nil means all
}

// BandwidthNote restricts the use of one BS channel bandwidth in a band.
type BandwidthNote struct {
	Bandwidth rf.Hertz
	Text      string
}

// Bands returns every operating band of the limit set, in the order of its
// number. The caller owns the slice.
func (l *Set) Bands() []Band {
	rows := l.tables.Bands.Bands
	bands := make([]Band, len(rows))
	for i, row := range rows {
		bands[i] = newBand(row)
	}
	return bands
}

// Band returns the band called name, for example "n78"; case does not matter.
// An unknown name gives an error that lists the bands there are.
func (l *Set) Band(name string) (Band, error) {
	rows := l.tables.Bands.Bands
	names := make([]string, len(rows))
	for i, row := range rows {
		if strings.EqualFold(row.Name, name) {
			return newBand(row), nil
		}
		names[i] = row.Name
	}
	return Band{}, fmt.Errorf("conformance: unknown operating band %q; known are %s", name, strings.Join(names, ", "))
}

func newBand(row bandRow) Band {
	b := Band{
		Name:          row.Name,
		Duplex:        row.Spectrum.Duplex,
		UL:            row.Spectrum.Uplink,
		DL:            row.Spectrum.Downlink,
		SpuriousUpper: row.Emissions.SpuriousUpper,
		Refused:       row.Refused,
		delta:         map[Type]rf.Hertz{},
		bandwidths:    map[rf.Hertz][]rf.Hertz{},
	}
	for _, r := range row.Rasters {
		b.Rasters = append(b.Rasters, Raster{r.Spacing, r.First, r.Every, r.Last, slices.Clone(r.Only)})
	}
	for _, n := range row.Notes {
		b.Notes = append(b.Notes, BandwidthNote{n.Bandwidth, n.Text})
	}
	if d := row.Emissions.DeltaC; d > 0 {
		b.delta[Type1C] = d
	}
	if d := row.Emissions.DeltaH; d > 0 {
		b.delta[Type1H] = d
	}
	for scs, list := range map[rf.Hertz][]float64{
		15 * rf.Kilohertz: row.Bandwidths.SCS15,
		30 * rf.Kilohertz: row.Bandwidths.SCS30,
		60 * rf.Kilohertz: row.Bandwidths.SCS60,
	} {
		for _, mhz := range list {
			b.bandwidths[scs] = append(b.bandwidths[scs], rf.Hertz(mhz)*rf.Megahertz)
		}
	}
	return b
}

// DeltaOBUE returns the width of the operating band unwanted emission region
// outside each downlink band edge (TS 38.104 6.6.1). A type for which the band
// has no requirement, or a band without a downlink, is an error.
func (b Band) DeltaOBUE(t Type) (rf.Hertz, error) {
	t, err := ParseType(string(t))
	if err != nil {
		return 0, err
	}
	if d, ok := b.delta[t]; ok {
		return d, nil
	}
	if b.DL == (rf.Range{}) {
		return 0, fmt.Errorf("conformance: %s has no delta f_OBUE: %s", b.Name, b.Refused)
	}
	return 0, fmt.Errorf("conformance: %s has no requirements of type %s (TS 38.104 6.6.1)", b.Name, t)
}

// Bandwidths returns the BS channel bandwidths a carrier may have in the band
// at the subcarrier spacing, rising; nil where there is none.
func (b Band) Bandwidths(scs rf.Hertz) []rf.Hertz { return slices.Clone(b.bandwidths[scs]) }

// Spacings returns the subcarrier spacings that have a bandwidth, rising.
func (b Band) Spacings() []rf.Hertz {
	var list []rf.Hertz
	for _, scs := range []rf.Hertz{15 * rf.Kilohertz, 30 * rf.Kilohertz, 60 * rf.Kilohertz} {
		if len(b.bandwidths[scs]) > 0 {
			list = append(list, scs)
		}
	}
	return list
}

// possible tells people which channels the band has.
func (b Band) possible() string {
	var parts []string
	for _, scs := range b.Spacings() {
		var list []string
		for _, bw := range b.bandwidths[scs] {
			list = append(list, inMHz(bw))
		}
		parts = append(parts, fmt.Sprintf("%s MHz at %g kHz", strings.Join(list, ", "), float64(scs/rf.Kilohertz)))
	}
	return strings.Join(parts, "; ")
}

func inMHz(f rf.Hertz) string { return trimmed(float64(f / rf.Megahertz)) }
