package nr

import (
	"math"
	"testing"
	"time"

	"benchyard/instruments/rf"
)

// Guard bands of TS 38.104 V19.4.0 5.3.3 T5.3.3-1 in kHz, for 15, 30 and 60 kHz:
// a second table of the standard, which the first has to reproduce.
var guards = map[int][3]float64{
	3: {142.5}, 5: {242.5, 505}, 7: {342.5}, 10: {312.5, 665, 1010}, 15: {382.5, 645, 990}, 20: {452.5, 805, 1330},
	25: {522.5, 785, 1310}, 30: {592.5, 945, 1290}, 35: {572.5, 925, 1630}, 40: {552.5, 905, 1610}, 45: {712.5, 1065, 1590},
	50: {692.5, 1045, 1570}, 60: {0, 825, 1530}, 70: {0, 965, 1490}, 80: {0, 925, 1450}, 90: {0, 885, 1410}, 100: {0, 845, 1370},
}

func TestResourceBlocksLeaveTheGuardBand(t *testing.T) {
	for mhz := 1; mhz <= 110; mhz++ {
		for mu, scs := range []rf.Hertz{15e3, 30e3, 60e3} {
			bw := rf.Hertz(mhz) * rf.Megahertz
			want := guards[mhz][mu]
			got, err := Configured(bw, scs)
			if (err == nil) != (want != 0) {
				t.Errorf("%s / %s: error %v, table has guard %v kHz", bw, scs, err, want)
				continue
			}
			if guard := (bw-got)/2 - scs/2; err == nil && math.Abs(float64(guard)-want*1e3) > 1e-6 {
				t.Errorf("%s / %s: guard band %s, want %v kHz", bw, scs, guard, want)
			}
		}
	}
}

func TestResourceBlocksRefusesWhatIsNotInTheTable(t *testing.T) {
	for _, c := range []struct{ bw, scs rf.Hertz }{{100e6, 15e3}, {20.5e6, 30e3}, {20e6, 45e3}, {0, 30e3}, {-20e6, 30e3}} {
		if n, err := ResourceBlocks(c.bw, c.scs); err == nil {
			t.Errorf("ResourceBlocks(%s, %s) = %d, want an error", c.bw, c.scs, n)
		}
	}
}

func TestTDDPatternOnTime(t *testing.T) {
	// Downlink symbols of TS 38.141-1 T4.9.2.2-1 summed with the symbol lengths of
	// TS 38.211 5.3.1, counted in samples: 30.72 MHz 2192 (+16), 61.44 MHz 2192
	// (+32 in symbol 0), at 60 kHz 122.88 MHz 2192 (+64 in symbol 0 of even slots).
	cases := []struct {
		scs     rf.Hertz
		samples float64
		rate    float64
	}{
		{15e3, 3*30720 + 10*2192 + 2*16, 30.72e6},
		{30e3, 7*30720 + 6*2192 + 32, 61.44e6},
		{60e3, 14*30720 + 12*2192 + 64, 122.88e6},
	}
	for _, c := range cases {
		p, err := TDDPattern(c.scs)
		if err != nil {
			t.Fatal(err)
		}
		want := c.samples / c.rate * 1e9
		if diff := want - float64(p.On); diff < 0 || diff >= 1.001 {
			t.Errorf("%s: on for %d ns, want %.3f rounded down", c.scs, p.On, want)
		}
		if p.Period != 5*time.Millisecond {
			t.Errorf("%s: period %s, want 5 ms", c.scs, p.Period)
		}
		slot, _ := SlotDuration(c.scs)
		slots, _ := SlotsPerFrame(c.scs)
		if slot*time.Duration(slots) != Frame {
			t.Errorf("%s: %d slots of %s do not fill a frame", c.scs, slots, slot)
		}
	}
	// The duty cycle of the 30 kHz pattern, metrology facts 4.1: 0.743.
	if p, _ := TDDPattern(30e3); math.Abs(p.Duty()-0.743) > 0.0005 {
		t.Errorf("duty %.4f, want 0.743", p.Duty())
	}
	if _, err := TDDPattern(120e3); err == nil {
		t.Error("120 kHz is no FR1 spacing, want an error")
	}
}
