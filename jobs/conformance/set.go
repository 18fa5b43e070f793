package conformance

import (
	_ "embed"
	"fmt"
	"strings"
	"sync"

	"benchyard/instruments/rf"

	"github.com/goccy/go-yaml"
)

//go:embed limits/bands.yaml
var bandsYAML string

//go:embed limits/channels.yaml
var channelsYAML string

//go:embed limits/masks.yaml
var masksYAML string

//go:embed limits/requirements.yaml
var requirementsYAML string

//go:embed limits/options.yaml
var optionsYAML string

// Set is one version of the limit data: bands, masks, requirements and
// tolerances, each with clause, version and provenance. A set never changes
// after it was made, so any number of goroutines may use it; With makes a new
// one. The functions of the package of the same names as its methods use the
// embedded set.
type Set struct {
	tables    *limitSet
	overrides []override // in the order they were laid over
}

// override is what a set remembers of one file laid over it.
type override struct{ name, hash string }

var embedded = sync.OnceValues(func() (*limitSet, error) {
	return load(parts{bandsYAML, channelsYAML, masksYAML, requirementsYAML, optionsYAML})
})

// Embedded returns the limit set of the program. The data are part of the
// program and tested with it, so a set that does not load is a broken build:
// it panics.
func Embedded() *Set {
	tables, err := embedded()
	if err != nil {
		panic(err)
	}
	return &Set{tables: tables}
}

// limits returns the tables of the embedded set.
func limits() *limitSet { return Embedded().tables }

// LimitSet names the embedded limit set; see Set.Name.
func LimitSet() string { return Embedded().Name() }

// Name names the set, its version and how far it can be trusted, for example
// "ts-38.141-1/2026-11 (core TS 38.104 V19.4.0; tolerances from memory,
// provisional)". Files laid over it follow its version, each with its own name
// and a short hash of its bytes: "ts-38.141-1/2026-11 + north-lab/3 #1f0c22ab (...)".
// A set with loosened figures, cores or tolerances, says so before the bracket:
// "... #1f0c22ab, figures loosened: 2 (...)".
func (l *Set) Name() string {
	r := l.tables.Requirements
	var b strings.Builder
	b.WriteString(r.LimitSet)
	for _, o := range l.overrides {
		fmt.Fprintf(&b, " + %s #%s", o.name, o.hash)
	}
	if n := len(l.Loosened()); n > 0 {
		fmt.Fprintf(&b, ", figures loosened: %d", n)
	}
	return b.String() + " (" + r.Summary + ")"
}

// parts are the texts of a limit set.
type parts struct{ bands, channels, masks, requirements, options string }

// load decodes and validates a limit set. Unknown keys are errors.
func load(p parts) (*limitSet, error) {
	set := new(limitSet)
	for _, part := range []struct {
		name, text string
		into       any
	}{
		{"bands.yaml", p.bands, &set.Bands},
		{"channels.yaml", p.channels, &set.Channels},
		{"masks.yaml", p.masks, &set.Masks},
		{"requirements.yaml", p.requirements, &set.Requirements},
		{"options.yaml", p.options, &set.Options},
	} {
		if err := yaml.UnmarshalWithOptions([]byte(part.text), part.into, yaml.Strict()); err != nil {
			return nil, fmt.Errorf("conformance: limit set, %s: %w", part.name, err)
		}
	}
	if err := set.validate(); err != nil {
		return nil, fmt.Errorf("conformance: limit set: %w", err)
	}
	return set, nil
}

// Bands returns every operating band of the embedded set; see Set.Bands.
func Bands() []Band { return Embedded().Bands() }

// BandByName returns a band of the embedded set; see Set.Band.
func BandByName(name string) (Band, error) { return Embedded().Band(name) }

// Place returns the bottom, middle or top carrier of a band of the embedded
// set; see Set.Place.
func Place(band string, ch RFChannel, bw, scs rf.Hertz) (Carrier, error) {
	return Embedded().Place(band, ch, bw, scs)
}

// PlaceAt returns the carrier at one raster point of a band of the embedded
// set; see Set.PlaceAt.
func PlaceAt(band string, nref int, bw, scs rf.Hertz) (Carrier, error) {
	return Embedded().PlaceAt(band, nref, bw, scs)
}

// Requirements returns the limits of one clause under the embedded set; see
// Set.Requirements.
func Requirements(s Subject, clause string) ([]Requirement, error) {
	return Embedded().Requirements(s, clause)
}
