package server

import (
	"math"
	"strings"
	"testing"

	"benchyard/jobs/conformance"
)

// A figure that lost its noise was read with it: -78 dBm over a floor of -82 dBm,
// 2.2048 dB taken off (facts/metrology.md 4.8), behind the loss of the path.
func TestNoiseFloorIsExplained(t *testing.T) {
	s := seed(t)
	h := newTestServer(t, s).Handler()
	id := s.caseID(t, "T4-0001", conformance.OutputPowerClause)
	x := explained(t, h, id, "6.2")
	if x.Result.NoiseFloor != nil || fact(x, "correction", "Noise floor") != "" {
		t.Errorf("nothing was taken off: %+v", x.Result.NoiseFloor)
	}
	s.exec(t, `UPDATE measurement SET noise_floor = '{"measured_dbm": -78, "floor_dbm": -82, "excess_db": 4, "taken_db": 2.2048}' WHERE case_id = $1`, id)
	x = explained(t, h, id, "6.2")
	if f := x.Result.NoiseFloor; f == nil || f.MeasuredDBm != -78 || f.FloorDBm != -82 || f.ExcessDB != 4 || f.TakenDB != 2.2048 {
		t.Fatalf("%+v", f)
	}
	if read := *x.Read.AsReadDBm; math.Abs(read-(-78-*x.Result.CorrectionDB)) > 1e-9 {
		t.Errorf("read as %g dBm", read)
	}
	const want = "2.20 dB taken off: the level at the connector was -78.00 dBm, 4.00 dB over the noise alone of -82.00 dBm"
	if got := fact(x, "correction", "Noise floor"); !strings.HasPrefix(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if _, _, page := get(t, h, "/cases/"+id+"/figures/6.2"); !strings.Contains(page, "over the noise alone of") {
		t.Error("the page says nothing of the noise floor")
	}
	s.exec(t, `UPDATE measurement SET noise_floor = noise_floor || '{"taken_db": 0}' WHERE case_id = $1`, id)
	if got := fact(explained(t, h, id, "6.2"), "correction", "Noise floor"); !strings.HasPrefix(got, "not taken off, for it is too near: ") {
		t.Errorf("%q", got)
	}
}
