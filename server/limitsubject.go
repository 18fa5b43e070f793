package server

import (
	"cmp"
	"errors"
	"fmt"
	"strconv"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// ParameterError says which parameter of a question for limits is wrong.
type ParameterError struct {
	Name string // as api.LimitQuery has it on the wire, e.g. "rated_power"
	Err  error
}

// Error names the parameter before what is wrong with it.
func (e *ParameterError) Error() string { return e.Name + ": " + e.Err.Error() }

// Unwrap returns what is wrong.
func (e *ParameterError) Unwrap() error { return e.Err }

// SubjectOf returns what a question for limits asks about, with its carriers in
// their places under the set. The error is a *ParameterError where one parameter
// is to blame.
func SubjectOf(set *conformance.Set, q api.LimitQuery) (conformance.Subject, error) {
	declaration, err := declaredIn(q)
	if err != nil {
		return conformance.Subject{}, err
	}
	s := conformance.Subject{Declaration: declaration, Environment: q.Environment, Modulation: q.Modulation}
	carriers, err := placedIn(set, q)
	if err != nil {
		return s, err
	}
	if s.Carrier = carriers[0]; len(carriers) > 1 {
		s.Carriers = carriers
	}
	return s, nil
}

func declaredIn(q api.LimitQuery) (d conformance.Declaration, err error) {
	d.Options = q.Option
	err = firstOf(
		read("class", cmp.Or(q.Class, string(conformance.WideArea)), conformance.ParseClass, &d.Class),
		read("category", cmp.Or(q.Category, "A"), conformance.ParseCategory, &d.Category),
		read("type", cmp.Or(q.Type, string(conformance.Type1C)), conformance.ParseType, &d.Type),
		read("rated_power", q.RatedPower, rf.ParseDBm, &d.RatedPower),
		read("category_b_option", cmp.Or(q.CategoryBOption, "0"), wholeNumber, &d.CategoryBOption),
		read("transmit_units", cmp.Or(q.TransmitUnits, "0"), wholeNumber, &d.TransmitUnits),
		readOptional("total_power", q.TotalPower, &d.TotalPower),
		readOptional("intra_system_level", q.IntraSystemLevel, &d.IntraSystemLevel),
	)
	only := errors.New("it is of type 1-H only, where several connectors make one cell")
	switch {
	case err != nil || d.Type == conformance.Type1H:
	case d.TransmitUnits > 1:
		err = &ParameterError{"transmit_units", only}
	case d.IntraSystemLevel != nil:
		err = &ParameterError{"intra_system_level", only}
	}
	return d, err
}

// firstOf returns the first error: those that follow it are often its children.
func firstOf(problems ...error) error {
	for _, err := range problems {
		if err != nil {
			return err
		}
	}
	return nil
}

// read reads one parameter.
func read[T any](name, text string, parse func(string) (T, error), into *T) error {
	v, err := parse(text)
	if err != nil {
		return &ParameterError{name, err}
	}
	*into = v
	return nil
}

func readOptional(name, text string, into **rf.DBm) error {
	if text == "" {
		return nil
	}
	level := new(rf.DBm)
	if err := read(name, text, rf.ParseDBm, level); err != nil {
		return err
	}
	*into = level
	return nil
}

func wholeNumber(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return 0, fmt.Errorf("%q is not a whole number", text)
	}
	return n, nil
}

// placedIn places the carriers, rising by frequency: by their frequencies, or at
// an RF channel of the band.
func placedIn(set *conformance.Set, q api.LimitQuery) ([]conformance.Carrier, error) {
	n := max(1, len(q.Bandwidth), len(q.Carrier))
	widths, err := frequencies("bandwidth", q.Bandwidth, n)
	if err != nil {
		return nil, err
	}
	spacings, err := frequencies("scs", q.SCS, n)
	if err != nil {
		return nil, err
	}
	if len(q.Carrier) > 0 {
		return placedAt(set, q, widths, spacings)
	}
	channel := cmp.Or(q.RFChannel, string(conformance.Middle))
	if n == 1 && len(q.Gap) == 0 && q.TestConfiguration == "" {
		c, err := set.Place(q.Band, conformance.RFChannel(channel), widths[0], spacings[0])
		return []conformance.Carrier{c}, err
	}
	shape := conformance.Configuration{Test: q.TestConfiguration}
	if len(q.Gap) > 0 {
		if shape.Gaps, err = frequencies("gap", q.Gap, len(q.Gap)); err != nil {
			return nil, err
		}
	}
	for i := range widths {
		shape.Carriers = append(shape.Carriers, conformance.Shape{Bandwidth: widths[i], SCS: spacings[i]})
	}
	return set.PlaceConfiguration(q.Band, conformance.RFChannel(channel), shape)
}

// placedAt places the carriers at their frequencies, which say themselves where
// gaps are.
func placedAt(set *conformance.Set, q api.LimitQuery, widths, spacings []rf.Hertz) ([]conformance.Carrier, error) {
	for _, other := range []struct {
		name  string
		given bool
	}{{"rf_channel", q.RFChannel != ""}, {"gap", len(q.Gap) > 0}, {"test_configuration", q.TestConfiguration != ""}} {
		if other.given {
			return nil, &ParameterError{other.name, errors.New("carriers stand where their frequencies say; leave it out, or the frequencies")}
		}
	}
	places, err := frequencies("carrier", q.Carrier, len(widths))
	if err != nil {
		return nil, err
	}
	var list []conformance.Carrier
	for i, f := range places {
		c, err := set.PlaceFrequency(q.Band, f, widths[i], spacings[i])
		if err != nil {
			return nil, &ParameterError{"carrier", err}
		}
		list = append(list, c)
	}
	return list, nil
}

// frequencies reads n values: one for each carrier, or one for all of them.
func frequencies(name string, texts []string, n int) ([]rf.Hertz, error) {
	if len(texts) != n && len(texts) != 1 || name == "carrier" && len(texts) != n {
		or := ", or one for all"
		if name == "carrier" {
			or = ""
		}
		return nil, &ParameterError{name, fmt.Errorf("%s for %s; give one for each, rising by frequency%s", amountText(len(texts), "value"), amountText(n, "carrier"), or)}
	}
	list := make([]rf.Hertz, n)
	for i := range list {
		if err := read(name, texts[min(i, len(texts)-1)], rf.ParseHertz, &list[i]); err != nil {
			return nil, err
		}
	}
	return list, nil
}
