package sim

import (
	"testing"

	"benchyard/instruments/nr"
	"benchyard/instruments/rf"
)

// Each carrier has its own subcarrier spacing; together they are on the air with
// the widths that follow from it.
func TestCarriersOfSeveralSpacings(t *testing.T) {
	l, _ := startLab(t, nil)
	dial(t, l, "bench-1-supply").do("VOLT 48;CURR 20;:OUTP ON")
	u := dial(t, l, "T4-0002")
	u.do(carrierOf["RU-T4"])
	u.do(":CARR:FREQ 3.4 GHZ;BAND 40 MHZ;SCSP 15 KHZ;POW 32")
	u.do(":CARR2:FREQ 3.5 GHZ;BAND 40 MHZ;SCSP 30 KHZ;POW 32")
	u.do(":CARR3:FREQ 3.6 GHZ;BAND 40 MHZ;SCSP 60 KHZ;POW 32;:CARR:COUN 3")
	for i, spacing := range []string{"1.5E+04", "3E+04", "6E+04"} {
		u.want(":CARR"+string(rune('1'+i))+":SCSP?", spacing)
	}
	u.do("OUTP ON")
	u.want("OUTP?;:SYST:ERR:COUN?", "1;0")
	carriers := l.Transmitting()
	if len(carriers) != 1 {
		t.Fatalf("on the air: %v", carriers)
	}
	low := Carrier{3.4e9, 40e6, 15e3, 32}
	x, err := l.Expect(Condition{Serial: "T4-0002", Build: olderBuild, Connector: 1, Carrier: low, More: []Carrier{{3.5e9, 40e6, 30e3, 32}, {3.6e9, 40e6, 60e3, 32}}})
	if err != nil {
		t.Fatal(err)
	}
	// TS 38.104 T5.3.2-1: 216, 106 and 51 resource blocks of 12 subcarriers.
	for centre, width := range map[rf.Hertz]rf.Hertz{3.4e9: 216 * 12 * 15e3, 3.5e9: 106 * 12 * 30e3, 3.6e9: 51 * 12 * 60e3} {
		whole := float64(x.Power(centre, width))
		near(t, "power of a carrier", whole, 32, 0.5)
		if part := float64(x.Power(centre, 0.98*width)); whole-part < 0.05 {
			t.Errorf("the carrier at %s is narrower than %s: %.3f dB within", centre, width, whole-part)
		}
	}
}

// One burst serves carriers of every spacing: the test models' patterns have one
// period and end together (TS 38.141-1 4.9.2.2 T4.9.2.2-1).
func TestPatternsEndTogether(t *testing.T) {
	first, err := nr.TDDPattern(15 * rf.Kilohertz)
	if err != nil {
		t.Fatal(err)
	}
	for _, scs := range []rf.Hertz{30 * rf.Kilohertz, 60 * rf.Kilohertz} {
		if p, err := nr.TDDPattern(scs); err != nil || p.Period != first.Period || p.On != first.On {
			t.Errorf("%s: on for %s of %s, %v; 15 kHz has %s of %s", scs, p.On, p.Period, err, first.On, first.Period)
		}
	}
}
