package conformance

import (
	"strings"
	"testing"
)

// A judged figure keeps its share of the noise floor and tells it; shares of
// other points than the reading has are refused.
func TestNoiseFloorStandsBesideAFigure(t *testing.T) {
	upper := -50.0
	req := Requirement{Key: "k", Quantity: unwantedEmission, Unit: "dBm", Upper: &upper, MeasurementBandwidth: 1e6}
	req.Frequencies.Low, req.Frequencies.High = 1e9, 1.002e9
	r := Reading{Key: "k", Series: &Series{Frequencies: []float64{1e9, 1.001e9, 1.002e9}, Levels: []float64{-77.2563, -79, -90}},
		Floor: &FloorTaken{Measured: []float64{-76, -78, -90}, Floor: []float64{-82, -82, -91}, Taken: []float64{1.2563, 1, 0}}}
	for worst, want := range map[int]struct {
		share FloorShare
		says  string
	}{
		0: {FloorShare{-76, -82, 6, 1.2563}, "noise floor taken off at the worst point: 1.26 dB from -76.00 dBm measured, 6.00 dB over the floor of -82.00 dBm"},
		1: {FloorShare{-78, -82, 4, 1}, "at the worst point, down to the least distance from the floor: 1.00 dB"},
		2: {FloorShare{-90, -91, 1, 0}, "noise floor not taken off at the worst point: -90.00 dBm measured, 1.00 dB over"},
	} {
		levels := []float64{-95, -95, -95}
		levels[worst] = -60
		r.Series.Levels = levels
		list, err := Judge([]Requirement{req}, []Reading{r}, DecisionRule{})
		if err != nil {
			t.Fatal(err)
		}
		if got := list[0]; got.Floor == nil || *got.Floor != want.share || !strings.Contains(got.Note, want.says) {
			t.Errorf("point %d: %+v, note %q", worst, got.Floor, got.Note)
		}
	}
	r.Floor = &FloorTaken{Measured: []float64{-78}, Floor: []float64{-82}, Taken: []float64{2}}
	if _, err := Judge([]Requirement{req}, []Reading{r}, DecisionRule{}); err == nil || !strings.Contains(err.Error(), "not kept for every point") {
		t.Errorf("a share of one point of three: %v", err)
	}
}
