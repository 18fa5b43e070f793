package main

import (
	"fmt"
	"slices"
	"time"

	"benchyard/instruments/document"
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
)

// checkDeclared holds what the types of an inventory declare against the
// operating bands, which the inventory itself does not know: a channel that no
// band has can never be measured.
func checkDeclared(file string, data []byte, l *lab.Lab) error {
	d := document.Read(file, data)
	for i, t := range l.Types {
		for j, c := range t.Carriers {
			path := fmt.Sprintf("radio_unit_types[%d].carriers[%d]", i, j)
			if _, err := conformance.BandByName(c.Band); err != nil {
				d.Report(path+".band", "%v", err)
				continue
			}
			for n, bandwidth := range c.Bandwidths {
				if err := placeable(c.Band, bandwidth, c.SCS); err != nil {
					d.Report(fmt.Sprintf("%s.bandwidths[%d]", path, n), "%v", err)
				}
			}
		}
	}
	checkGates(d, l)
	return d.Problems().Err()
}

// checkGates refuses units on benches whose analyzer can measure none of their
// bands, all of which are TDD. Where it can measure some, that is up to the plan.
func checkGates(d *document.Document, l *lab.Lab) {
	for i, u := range l.Units {
		t, known := l.Type(u.Type)
		b, mounted := l.Bench(u.Bench)
		if !known || !mounted || len(t.Carriers) == 0 || slices.ContainsFunc(t.Carriers, func(c lab.Carrier) bool { return duplexOf(c) != "TDD" }) {
			continue
		}
		if err := l.Gates(b); err != nil {
			d.Report(fmt.Sprintf("radio_units[%d].bench", i), "%s can transmit in TDD bands only, and %v", u.Serial, err)
		}
	}
}

// duplexOf returns the duplex mode of the band, empty for one that nobody knows.
func duplexOf(c lab.Carrier) string {
	band, err := conformance.BandByName(c.Band)
	if err != nil {
		return ""
	}
	return band.Duplex
}

// placeable tells whether a band has channels of this bandwidth at one of the
// subcarrier spacings at least.
func placeable(band string, bandwidth rf.Hertz, spacings []rf.Hertz) error {
	var reason error
	for _, scs := range spacings {
		_, err := conformance.Place(band, conformance.Middle, bandwidth, scs)
		if err == nil {
			return nil
		}
		reason = err
	}
	return reason
}

// shownDue bounds how many calibrations are listed one by one.
const shownDue = 5

// notice tells what the inventory allows and what will keep benches from
// working all the same: TDD bands that an analyzer cannot gate, calibrations that
// have run out.
func notice(p *program, l *lab.Lab) {
	for _, b := range l.Benches {
		if err := l.Gates(b); err != nil && slices.ContainsFunc(l.UnitsOn(b.Name), func(u lab.RadioUnit) bool {
			t, _ := l.Type(u.Type)
			return slices.ContainsFunc(t.Carriers, func(c lab.Carrier) bool { return duplexOf(c) == "TDD" })
		}) {
			fmt.Fprintf(p.stderr, "note: %s: plans for the TDD bands of its units will be refused: %v\n", b.Name, err)
		}
	}
	due := l.CalibrationDueBefore(lab.DateOf(time.Now()))
	for i, d := range due {
		if i == shownDue {
			fmt.Fprintf(p.stderr, "note: and %d more have run out\n", len(due)-i)
			return
		}
		fmt.Fprintf(p.stderr, "note: %s: the calibration of %s ran out on %s; runs that need it wait until a new one is in the inventory\n", d.Bench, d.What, d.On)
	}
}
