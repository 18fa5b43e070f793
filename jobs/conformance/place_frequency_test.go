package conformance_test

import (
	"math"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// n78 at 100 MHz and 30 kHz: 623334 (3350.01 MHz) to 650000 (3750 MHz) in steps
// of 30 kHz (TS 38.104 T5.4.2.3-1); n1 at 20 MHz and 15 kHz in steps of 100 kHz.
func TestPlaceFrequency(t *testing.T) {
	for _, tt := range []struct {
		band    string
		f       float64 // MHz
		bw, scs rf.Hertz
		nref    int
		channel conformance.RFChannel
	}{
		{"n78", 3350.01, 100e6, 30e3, 623334, "B"},
		{"n78", 3549.99, 100e6, 30e3, 636666, "M"},
		{"n78", 3750, 100e6, 30e3, 650000, "T"},
		{"n78", 3550.02, 100e6, 30e3, 636668, ""},
		{"N1", 2140.1, 20e6, 15e3, 428020, ""},
	} {
		c, err := conformance.PlaceFrequency(tt.band, rf.Hertz(tt.f*1e6), tt.bw, tt.scs)
		if err != nil || c.NREF != tt.nref || c.Channel != tt.channel || math.Abs(float64(c.Center)-tt.f*1e6) > 1 {
			t.Errorf("%s %g MHz: %+v, %v", tt.band, tt.f, c, err)
		}
	}
	for _, tt := range []struct {
		band    string
		f       rf.Hertz
		bw, scs rf.Hertz
		want    string
	}{
		{"n1", 2140.01e6, 20e6, 15e3, "is not on the channel raster of n1 at 15 kHz; nearest is 2.14 GHz or 2.1401 GHz"},
		{"n1", 2140.09e6, 20e6, 15e3, "nearest is 2.14 GHz or 2.1401 GHz"},
		{"n1", 2171e6, 20e6, 15e3, "is no place for a 20 MHz carrier in n1: the raster runs from 424000 to 432000, 2.12 GHz to 2.16 GHz"},
		{"n1", rf.Hertz(math.NaN()), 20e6, 15e3, "is no place for"},
		{"n1", rf.Hertz(math.Inf(1)), 20e6, 15e3, "is no place for"},
		{"n1", 2140e6, 7e6, 15e3, "n1 has no 7 MHz channel"},
		{"n999", 2140e6, 20e6, 15e3, "n999"},
	} {
		_, err := conformance.PlaceFrequency(tt.band, tt.f, tt.bw, tt.scs)
		wantError(t, err, tt.want)
	}
}

// Every raster point of every band is found by its frequency, between any two
// there is none, and both neighbours are named.
func TestPlaceFrequencyEverywhere(t *testing.T) {
	for _, b := range conformance.Bands() {
		if b.Refused != "" {
			continue
		}
		for _, scs := range b.Spacings() {
			bw := b.Bandwidths(scs)[0]
			first, err := conformance.Place(b.Name, conformance.Bottom, bw, scs)
			if err != nil {
				continue
			}
			last, err := conformance.Place(b.Name, conformance.Top, bw, scs)
			if err != nil {
				t.Fatal(err)
			}
			for nref := first.NREF; nref <= last.NREF; nref += max(1, (last.NREF-first.NREF)/7) {
				f, err := conformance.Frequency(nref)
				if err != nil {
					t.Fatal(err)
				}
				at, wanted := conformance.PlaceAt(b.Name, nref, bw, scs)
				found, err := conformance.PlaceFrequency(b.Name, f, bw, scs)
				found.Channel = ""
				if (wanted == nil) != (err == nil) || wanted == nil && found != at {
					t.Errorf("%s N_REF %d: %+v, %v; want %+v, %v", b.Name, nref, found, err, at, wanted)
				}
			}
		}
	}
}
