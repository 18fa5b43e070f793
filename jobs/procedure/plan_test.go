package procedure

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// Every band, channel bandwidth and position gives sweeps an analyzer can take
// and a filter can follow, and they cover what their requirement asks for.
func TestPlanEverywhere(t *testing.T) {
	cases := 0
	for _, b := range conformance.Bands() {
		for _, scs := range b.Spacings() {
			for _, bw := range b.Bandwidths(scs) {
				for _, ch := range []conformance.RFChannel{conformance.Bottom, conformance.Middle, conformance.Top} {
					c, err := conformance.Place(b.Name, ch, bw, scs)
					if err != nil {
						continue
					}
					s := Setup{Subject: conformance.Subject{Declaration: kinds()[0].declaration, Carrier: c}}
					for _, clause := range conformance.Clauses() {
						if _, err := conformance.Requirements(s.Subject, clause); err != nil {
							continue // no mask of this class: nothing to measure
						}
						planned, err := Plan(clause, s)
						if err != nil {
							t.Fatalf("%s %s %s %s: %v", clause, b.Name, bw, ch, err)
						}
						cases++
						for _, p := range planned {
							sound(t, clause+" "+b.Name+" "+bw.String()+" "+p.Role, p, b.Duplex == "TDD")
						}
					}
				}
			}
		}
	}
	if cases < 3000 {
		t.Errorf("only %d cases were planned", cases)
	}
}

func sound(t *testing.T, name string, p Planned, tdd bool) {
	t.Helper()
	w := p.Sweep
	span := w.Stop - w.Start
	spacing := span / rf.Hertz(w.Points-1)
	fastest := time.Duration(2.5 * float64(span) / float64(w.RBW*w.RBW) * 1e9)
	switch {
	case w.Start < 0 || span <= 0:
		t.Errorf("%s: sweep from %s to %s", name, w.Start, w.Stop)
	case spacing > w.RBW/2*(1+1e-9):
		t.Errorf("%s: points %s apart with a filter of %s", name, spacing, w.RBW)
	case w.VBW != 3*w.RBW:
		t.Errorf("%s: video bandwidth %s with a filter of %s", name, w.VBW, w.RBW)
	case w.SweepTime < fastest-time.Microsecond || w.Averages < 1 || w.Averages > mostAverages:
		t.Errorf("%s: %d sweeps of %s, the filter follows in %s", name, w.Averages, w.SweepTime, fastest)
	case tdd != (w.Gate != nil):
		t.Errorf("%s: gate %v", name, w.Gate)
	case p.Duration < w.SweepTime*time.Duration(w.Averages):
		t.Errorf("%s: lasts %s, its sweeps %s each", name, p.Duration, w.SweepTime)
	}
	if g := w.Gate; g != nil && (g.Delay <= 0 || g.Length <= 0 || g.Delay+g.Length >= g.Period) {
		t.Errorf("%s: gate %+v", name, *g)
	}
}

// The windows of a 30 kHz carrier stay inside its ON period: 7 slots and 6
// symbols of 5 ms, 3.714 ms (facts/conformance.md 10).
func TestGate(t *testing.T) {
	for _, rbw := range []rf.Hertz{1e3, 30e3, 1e6} {
		g, err := gate(30e3, rbw)
		if err != nil {
			t.Fatal(err)
		}
		if end := g.Delay + g.Length; g.Period != 5*time.Millisecond || end > 3714*time.Microsecond-transient+time.Microsecond || end < 3700*time.Microsecond {
			t.Errorf("filter %s: window from %s for %s of %s", rbw, g.Delay, g.Length, g.Period)
		}
		if g.Delay < seconds(1/float64(rbw)) {
			t.Errorf("filter %s: opens after %s, before the filter has risen", rbw, g.Delay)
		}
	}
	if g, err := gate(30e3, 100); err == nil {
		t.Errorf("a filter of 100 Hz was gated: %+v", g)
	}
	if _, err := gate(17e3, 30e3); err == nil {
		t.Error("a subcarrier spacing of 17 kHz was taken")
	}
}

// Points and time of a case are what a lab pays for it: at most 30 000 points in
// the operating band and 70 000 in the spurious range.
func TestCaseSize(t *testing.T) {
	for _, k := range kinds() {
		for _, ch := range []conformance.RFChannel{conformance.Bottom, conformance.Middle, conformance.Top} {
			for clause, most := range map[string]int{"6.2": 1000, "6.6.2": 15000, "6.6.3": 5000, "6.6.4": 30000, "6.6.5": 70000} {
				planned, err := Plan(clause, k.setup(t, ch))
				if err != nil {
					t.Fatal(err)
				}
				points := 0
				for _, p := range planned {
					points += p.Sweep.Points
				}
				if points > most {
					t.Errorf("%s %s %s: %d points, at most %d wanted", k.name, clause, ch, points, most)
				}
				if d := Duration(planned); d > 10*time.Minute || d <= 0 {
					t.Errorf("%s %s %s: lasts %s", k.name, clause, ch, d)
				}
				t.Logf("%s %s %s: %d sweeps, %d points, %s", k.name, clause, ch, len(planned), points, Duration(planned).Round(time.Millisecond))
			}
		}
	}
}

func TestPlanRefuses(t *testing.T) {
	s := kinds()[0].setup(t, conformance.Middle)
	if _, err := Plan("6.7", s); err == nil {
		t.Error("a clause without a method was planned")
	}
	if _, err := Analyze("6.7", s, nil); err == nil {
		t.Error("a clause without a method was analyzed")
	}
	s.Duplex = "half"
	if _, err := Plan("6.2", s); err == nil {
		t.Error("duplex mode half was taken")
	}
	s.Duplex, s.Subject.Carrier.Band = "", "n999"
	if _, err := Plan("6.2", s); err == nil {
		t.Error("an unknown band was taken")
	}
}

// What is missing is named: here the part of the spurious range above the table
// and the part below the analyzer.
func TestCoverage(t *testing.T) {
	s := kinds()[0].setup(t, conformance.Middle)
	s.AnalyzerRange = rf.Range{Low: 9e3, High: 26.5e9}
	for _, clause := range conformance.Clauses() {
		if err := Coverage(clause, s); err != nil {
			t.Error(err)
		}
	}
	s.Correction[2].Frequency = 18e9
	s.AnalyzerRange.Low = 20e3
	err := Coverage(conformance.SpuriousEmissionsClause, s)
	if err == nil {
		t.Fatal("a table to 18 GHz covered a sweep to 19 GHz")
	}
	for _, want := range []string{"18 GHz to 19 GHz", "9 kHz to 20 kHz", "correction", "analyzer"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q does not say %q", err, want)
		}
	}
	if err := Coverage(conformance.OutputPowerClause, s); err != nil {
		t.Errorf("the carrier itself is covered: %v", err)
	}
	s.Correction = nil
	if Coverage(conformance.OutputPowerClause, s) == nil {
		t.Error("no table covered a sweep")
	}
}

// 37 + 3 + 10 + 3 - 40 = 13 dBm: 6 dB of attenuation leave +7 dBm at the mixer;
// the chain of facts/metrology.md 4.9, 60 W behind 51.99 dB, reaches 11.79 dBm.
func TestBudget(t *testing.T) {
	flat := func(loss rf.DB) rf.Correction {
		return rf.Correction{{Frequency: 1e9, Loss: loss + 2}, {Frequency: 3.4e9, Loss: loss}, {Frequency: 6e9, Loss: loss + 1}}
	}
	transmit := []rf.Range{{Low: 3.3e9, High: 3.8e9}}
	for _, c := range []struct {
		rated       rf.DBm
		loss        rf.DB
		attenuation rf.DB
		reference   rf.DBm
		peak        float64
	}{{37, 40, 6, 13, 13}, {46, 50, 6, 12, 12}, {47.78, 51.99, 6, 12, 11.79}, {37, 24, 22, 29, 29}, {24, 70, 0, -30, -30}} {
		got, err := Budget(Drive{RatedPower: c.rated, Transmit: transmit, Correction: flat(c.loss), GreatestSafe: 30})
		if err != nil {
			t.Errorf("%s behind %s: %v", c.rated, c.loss, err)
			continue
		}
		near(t, "peak / dBm", float64(got.Peak), c.peak, 1e-9)
		if got.Attenuation != c.attenuation || got.ReferenceLevel != c.reference || got.LeastLoss != c.loss {
			t.Errorf("%s behind %s: got %+v, want attenuation %s and reference %s", c.rated, c.loss, got, c.attenuation, c.reference)
		}
		if got.Peak.Add(-got.Attenuation) > mixerFullScale {
			t.Errorf("%s behind %s: %s at the mixer", c.rated, c.loss, got.Peak.Add(-got.Attenuation))
		}
	}
}

func TestBudgetRefuses(t *testing.T) {
	path := rf.Correction{{Frequency: 1e9, Loss: 30}, {Frequency: 2e9, Loss: 20}, {Frequency: 3e9, Loss: 30}}
	_, err := Budget(Drive{RatedPower: 37, Transmit: []rf.Range{{Low: 1.5e9, High: 2.5e9}}, Correction: path, GreatestSafe: 30})
	if !errors.Is(err, ErrOverdrive) {
		t.Fatalf("53 dBm behind 20 dB into 30 dBm: got %v, want ErrOverdrive", err)
	}
	for _, figure := range []string{"37.00 dBm", "20.00 dB", "10.00 dB", "33.00 dBm", "30.00 dBm", "3.00 dB"} {
		if !strings.Contains(err.Error(), figure) {
			t.Errorf("%q does not say %s", err, figure)
		}
	}
	// 37 + 3 + 10 + 3 - 30 = 23 dBm; with 10 dB left out 33 dBm.
	flat := rf.Correction{{Frequency: 1e9, Loss: 30}, {Frequency: 3e9, Loss: 30}}
	for left, fine := range map[rf.DB]bool{0: true, 7: true, 10: false, -1: false} {
		got, err := Budget(Drive{RatedPower: 37, Transmit: []rf.Range{{Low: 1.5e9, High: 2.5e9}}, Correction: flat, Bypassable: left, GreatestSafe: 30})
		if (err == nil) != fine || left == 10 && !errors.Is(err, ErrOverdrive) || fine && got.Attenuation != 16 {
			t.Errorf("%s bypassable: %+v, %v", left, got, err)
		}
	}
	for name, d := range map[string]Drive{
		"no range":         {RatedPower: 37, Correction: path, GreatestSafe: 30},
		"outside":          {RatedPower: 20, Transmit: []rf.Range{{Low: 2e9, High: 3.1e9}}, Correction: path, GreatestSafe: 30},
		"no level":         {RatedPower: rf.DBm(math.NaN()), Transmit: []rf.Range{{Low: 1e9, High: 2e9}}, Correction: path, GreatestSafe: 30},
		"attenuator short": {RatedPower: 100, Transmit: []rf.Range{{Low: 1e9, High: 2e9}}, Correction: path, GreatestSafe: 199},
	} {
		if got, err := Budget(d); err == nil {
			t.Errorf("%s: got %+v, want an error", name, got)
		}
	}
}
