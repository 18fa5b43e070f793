package conformance

import (
	"fmt"
	"slices"
	"strings"

	"benchyard/instruments/rf"
)

// optionTables are the limits that apply where they are declared;
// limits/options.yaml explains them.
type optionTables struct {
	Protection struct {
		Source    source
		Filter    rf.Hertz
		Limits    classLimits
		Tolerance tolerance
	}
	Coexistence struct {
		Source           source
		Downlink, Uplink struct {
			Limit  float64
			Filter rf.Hertz
		}
		Systems   []otherSystem
		Nearer    []nearerRow
		Tolerance tolerance
	}
	Colocation struct {
		Source    source
		Filter    rf.Hertz
		Systems   []otherSystem
		Bands     []colocatedBands
		Tolerance tolerance
	}
	Tolerance tolerance
	Groups    []optionGroup
}

// classLimits are limits in dBm by base station class; nil where there is none.
type classLimits struct {
	WideArea    *float64 `yaml:"wide_area"`
	MediumRange *float64 `yaml:"medium_range"`
	LocalArea   *float64 `yaml:"local_area"`
}

func (l classLimits) of(c Class) *float64 {
	switch c {
	case WideArea:
		return l.WideArea
	case MediumRange:
		return l.MediumRange
	}
	return l.LocalArea
}

// otherSystem is a system that is not one of the bands of NR.
type otherSystem struct {
	Name, Title      string
	Downlink, Uplink rf.Range
	DownlinkLimit    float64 `yaml:"downlink_limit"`
	UplinkLimit      float64 `yaml:"uplink_limit"`
	Filter           rf.Hertz
	Limits           classLimits // co-location
}

// nearerRow says how far limits of co-existence keep away from the own
// downlink band, where that is not delta f_OBUE; zero leaves it.
type nearerRow struct {
	Bands, With  []string
	Above, Below rf.Hertz
}

// colocatedBands are the limits for co-location with some bands; without names, with the others.
type colocatedBands struct {
	Bands  []string
	Limits classLimits
}

// optionGroup is one set of additional limits under a word.
type optionGroup struct {
	Name, Title, Clause string
	Source              source
	Bands               []string
	BandwidthAbove      rf.Hertz `yaml:"bandwidth_above"`
	BandwidthUpTo       rf.Hertz `yaml:"bandwidth_up_to"`
	Carriers            rf.Range // where the channel must lie; zero: anywhere
	Refused             string
	Rows                []optionRow
	Classes             []Class    `yaml:"-"` // of a lab's own limit; empty: all
	Tolerance           *tolerance `yaml:"-"` // of a lab's own limit; nil: that of the table
	Lab                 bool       `yaml:"-"` // a limit that a lab laid over the set
	Option              string     `yaml:"-"` // of a lab's own limit: the word it applies under; empty: always
}

// optionRow is one range of an additional limit.
type optionRow struct {
	From, To rf.Hertz
	Beside   bool     // offsets of the filter centre from the channel edge, not frequencies
	Clear    rf.Hertz // how far the filter stays outside the channel; zero: no matter
	Limit    float64
	Filter   rf.Hertz
}

// The words that stand before the name of another system.
const (
	protectionOption = "protection"
	coexistenceWith  = "coexistence:"
	colocationWith   = "colocation:"
	additional       = "additional:"
	japanOption      = additional + "japan"
)

// OptionWords returns every word that Declaration.Options may hold under the
// embedded set; see Set.OptionWords.
func OptionWords() []string { return Embedded().OptionWords() }

// OptionWords returns every word that Declaration.Options may hold: first those
// with a meaning of their own, then "coexistence:" and "colocation:" with every
// system they are known for.
func (l *Set) OptionWords() []string {
	o := l.tables.Options
	words := []string{protectionOption}
	add := func(w string) {
		if w != "" && !slices.Contains(words, w) {
			words = append(words, w)
		}
	}
	for _, row := range l.tables.Requirements.TimeAlignment.Rows {
		add(row.Option)
	}
	for _, g := range o.Groups {
		add(g.Name)
	}
	for _, system := range o.Coexistence.Systems {
		add(coexistenceWith + system.Name)
	}
	for _, b := range l.tables.Bands.Bands {
		add(coexistenceWith + b.Name)
	}
	for _, system := range o.Colocation.Systems {
		add(colocationWith + system.Name)
	}
	for _, b := range l.tables.Bands.Bands {
		if b.Spectrum.Uplink != (rf.Range{}) {
			add(colocationWith + b.Name)
		}
	}
	return words
}

// options returns the declared options as OptionWords writes them. An unknown
// word or one that stands twice is an error.
func (l *Set) options(declared []string) ([]string, error) {
	if len(declared) == 0 {
		return nil, nil
	}
	words := l.OptionWords()
	var list []string
	for _, given := range declared {
		i := slices.IndexFunc(words, func(w string) bool { return strings.EqualFold(w, strings.TrimSpace(given)) })
		if i < 0 {
			return nil, fmt.Errorf("conformance: unknown option %q; %s", given, l.optionHelp(words))
		}
		if slices.Contains(list, words[i]) {
			return nil, fmt.Errorf("conformance: option %s is declared twice", words[i])
		}
		list = append(list, words[i])
	}
	return list, nil
}

// optionHelp names the words without repeating every band.
func (l *Set) optionHelp(words []string) string {
	var own []string
	for _, w := range words {
		if !strings.HasPrefix(w, coexistenceWith) && !strings.HasPrefix(w, colocationWith) {
			own = append(own, w)
		}
	}
	var systems []string
	for _, s := range l.tables.Options.Coexistence.Systems {
		systems = append(systems, s.Name)
	}
	return fmt.Sprintf("known are %s, and coexistence: or colocation: with a band such as n1 or one of %s",
		strings.Join(own, ", "), strings.Join(systems, ", "))
}

func (s checked) declares(option string) bool { return slices.Contains(s.options, option) }
