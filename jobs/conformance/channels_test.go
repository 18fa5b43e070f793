package conformance_test

import (
	"math"
	"testing"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

type cell struct{ bw, scs rf.Hertz }

// cells returns every cell of TS 38.104 T5.3.2-1, filled or not.
func cells() []cell {
	var list []cell
	for _, scs := range []rf.Hertz{15, 30, 60} {
		for _, bw := range []rf.Hertz{3, 5, 7, 10, 15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100} {
			list = append(list, cell{bw * rf.Megahertz, scs * rf.Kilohertz})
		}
	}
	return list
}

// The three tables of 5.3.2, 5.3.3 and 6.3.3.2 are printed apart and hang
// together by formula: guard = (BW - 12 SCS N_RB)/2 - SCS/2, and dynamic range =
// 10 log10 N_RB cut to a tenth.
func TestChannelTablesAgree(t *testing.T) {
	filled := 0
	for _, c := range cells() {
		n, err := conformance.ResourceBlocks(c.bw, c.scs)
		if err != nil {
			continue
		}
		filled++
		guard, err := conformance.GuardBand(c.bw, c.scs)
		if err != nil {
			t.Fatal(err)
		}
		if want := (c.bw-12*c.scs*rf.Hertz(n))/2 - c.scs/2; guard != want {
			t.Errorf("%s at %s: guard band %s, formula gives %s", c.bw, c.scs, guard, want)
		}
		dynamic, err := conformance.DynamicRange(c.bw, c.scs)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "dynamic range", float64(dynamic), math.Floor(100*math.Log10(float64(n)))/10)
	}
	// TS 38.104 V19.4.0 T5.3.2-1 has 12 + 15 + 14 filled cells.
	if filled != 41 {
		t.Errorf("%d cells are filled, want 41", filled)
	}
}

func TestEveryChannelHasItsPlace(t *testing.T) {
	placed := 0
	for _, b := range conformance.Bands() {
		for _, scs := range b.Spacings() {
			for _, bw := range b.Bandwidths(scs) {
				if b.Refused != "" {
					continue
				}
				placed++
				checkPlaces(t, b, bw, scs)
			}
		}
	}
	// Cells of TS 38.104 V19.4.0 T5.3.5-1 counted apart, without those of n46,
	// n96 and n102 and the two of 10 MHz that are for the uplink only.
	if placed != 695 {
		t.Errorf("%d channels were placed, want 695", placed)
	}
}

func checkPlaces(t *testing.T, b conformance.Band, bw, scs rf.Hertz) {
	t.Helper()
	var at []rf.Hertz
	for _, ch := range []conformance.RFChannel{conformance.Bottom, conformance.Middle, conformance.Top} {
		c, err := conformance.Place(b.Name, ch, bw, scs)
		if err != nil {
			t.Errorf("%s %s %s: %v", b.Name, bw, scs, err)
			return
		}
		if !b.DL.Covers(c.Edges()) {
			t.Errorf("%s %s of %s at %s leaves the band %v", b.Name, ch, bw, c.Center, b.DL)
		}
		if !onRaster(b, c) {
			t.Errorf("%s %s: N_REF %d at %s is on no raster for %s", b.Name, ch, c.NREF, bw, scs)
		}
		if f, err := conformance.Frequency(c.NREF); err != nil || f != c.Center {
			t.Errorf("%s %s: N_REF %d is %s (%v), carrier says %s", b.Name, ch, c.NREF, f, err, c.Center)
		}
		if again, err := conformance.PlaceAt(b.Name, c.NREF, bw, scs); err != nil || again.Center != c.Center {
			t.Errorf("%s: PlaceAt(%d) gives %v, %v", b.Name, c.NREF, again, err)
		}
		at = append(at, c.Center)
	}
	middle := (b.DL.Low + b.DL.High) / 2
	if at[0] > at[1] || at[1] > at[2] {
		t.Errorf("%s %s: B, M, T at %v do not rise", b.Name, bw, at)
	}
	// M is nearest the middle: within half a raster step, where the step is
	// at most 100 kHz. n106 allows one N_REF only, 500 kHz above its middle.
	if b.Name != "n106" && math.Abs(float64(at[1]-middle)) > 50e3 {
		t.Errorf("%s %s: M at %s, middle of the band is %s", b.Name, bw, at[1], middle)
	}
}

func onRaster(b conformance.Band, c conformance.Carrier) bool {
	for _, r := range b.Rasters {
		if c.NREF >= r.First && c.NREF <= r.Last && (c.NREF-r.First)%r.Every == 0 {
			// With two rasters the larger applies to spacings not below it.
			coarser := false
			for _, other := range b.Rasters {
				coarser = coarser || other.Spacing > r.Spacing && other.Spacing <= c.SCS
			}
			if !coarser {
				return true
			}
		}
	}
	return false
}

func TestPlaceRefuses(t *testing.T) {
	for _, tt := range []struct {
		name, band string
		ch         conformance.RFChannel
		bw, scs    rf.Hertz
		want       string
	}{
		{"unknown band", "n999", "M", 20e6, 15e3, `unknown operating band "n999"; known are n1, n2,`},
		{"unknown channel", "n78", "X", 20e6, 15e3, `unknown RF channel "X"; accepted are B, M, T`},
		{"bandwidth at spacing", "n78", "M", 100e6, 15e3, "n78 has no 100 MHz channel at 15 kHz subcarrier spacing; possible are 10, 15, 20, 25, 30, 40, 50 MHz at 15 kHz; 10,"},
		{"spacing", "n5", "M", 10e6, 60e3, "n5 has no 10 MHz channel at 60 kHz"},
		{"supplementary uplink", "n80", "M", 10e6, 15e3, "no carrier in n80: supplementary uplink"},
		{"fixed lists", "n46", "M", 20e6, 15e3, "no carrier in n46: N_REF is restricted to fixed lists"},
		{"fixed lists", "n96", "M", 20e6, 15e3, "no carrier in n96: N_REF is restricted to fixed lists"},
		{"fixed lists", "n102", "M", 20e6, 15e3, "no carrier in n102: N_REF is restricted to fixed lists"},
		{"no bandwidth listed", "n68", "M", 5e6, 15e3, "no carrier in n68: TS 38.104 V19.4.0 T5.3.5-1 lists no channel bandwidth"},
		{"uplink only", "n91", "M", 10e6, 15e3, "n91 has no 10 MHz channel at 15 kHz subcarrier spacing; possible are 5 MHz at 15 kHz"},
	} {
		t.Run(tt.name+" "+tt.band, func(t *testing.T) {
			_, err := conformance.Place(tt.band, tt.ch, tt.bw, tt.scs)
			wantError(t, err, tt.want)
		})
	}
	_, err := conformance.PlaceAt("n78", 623335, 100e6, 30e3)
	wantError(t, err, "N_REF 623335 is no place for a 100 MHz carrier in n78; the raster runs from 623334 to 650000 in steps of 2")
	_, err = conformance.Frequency(-1)
	wantError(t, err, "N_REF -1 is outside")
	_, err = conformance.SyncFrequency(1)
	wantError(t, err, "GSCN 1 is outside")
}

// Each band as TS 38.104 6.6.1 and 6.6.5.2.1 rule, with the exceptions they name.
func TestBandsFollowTheRules(t *testing.T) {
	// n100 and n101 are type 1-C only, n46 and n102 too; n46, n96, n102 and
	// n104 have widths of their own (T6.6.1-1, -1a, -1b).
	own := map[string]bool{"n46": true, "n96": true, "n100": true, "n101": true, "n102": true, "n104": true}
	if n := len(conformance.Bands()); n != 70 {
		t.Fatalf("%d bands, want 70", n)
	}
	for _, b := range conformance.Bands() {
		if b.Duplex == "SUL" {
			if _, err := b.DeltaOBUE(conformance.Type1C); err == nil {
				t.Errorf("%s has no downlink but a delta f_OBUE", b.Name)
			}
			continue
		}
		top := 12750 * rf.Megahertz
		switch {
		case b.DL.High > 5200*rf.Megahertz:
			top = 26 * rf.Gigahertz
		case b.DL.High > 2550*rf.Megahertz:
			top = 5 * b.DL.High
		}
		if b.SpuriousUpper != top {
			t.Errorf("%s: spurious range ends at %s, rule says %s", b.Name, b.SpuriousUpper, top)
		}
		if own[b.Name] {
			continue
		}
		wantC, wantH := 10*rf.Megahertz, 10*rf.Megahertz
		if b.DL.Width() > 200*rf.Megahertz {
			wantC = 40 * rf.Megahertz
		}
		if b.DL.Width() >= 100*rf.Megahertz {
			wantH = 40 * rf.Megahertz
		}
		gotC, errC := b.DeltaOBUE(conformance.Type1C)
		gotH, errH := b.DeltaOBUE(conformance.Type1H)
		if errC != nil || errH != nil || gotC != wantC || gotH != wantH {
			t.Errorf("%s: delta f_OBUE %s / %s (%v, %v), rule says %s / %s", b.Name, gotC, gotH, errC, errH, wantC, wantH)
		}
	}
}

// A caller may do with a band what it likes: the limit set stays as it was.
func TestBandsAreCopies(t *testing.T) {
	b, err := conformance.BandByName("N78")
	if err != nil {
		t.Fatal(err)
	}
	b.Rasters[0].First = 0
	b.Bandwidths(30e3)[0] = 0
	again, _ := conformance.BandByName("n78")
	if again.Rasters[0].First != 620000 || again.Bandwidths(30e3)[0] != 10*rf.Megahertz {
		t.Error("a change to a returned band reached the limit set")
	}
}
