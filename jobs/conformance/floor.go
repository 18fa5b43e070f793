package conformance

import (
	"errors"
	"fmt"
	"math"

	"benchyard/jobs/uncertainty"
)

// FloorTaken is the noise floor of the analyzer that was taken out of a reading,
// with what was measured: one entry for a value, one for each point of a series.
// Of a leakage ratio it is the level in the adjacent channel.
type FloorTaken struct {
	Measured []float64 // dBm, the noise in it
	Floor    []float64 // dBm, the noise alone by the same method
	Taken    []float64 // dB that were taken off; zero where the level stands too near to the floor
}

// complete reports why it does not belong to a reading of n points.
func (t *FloorTaken) complete(n int) error {
	if t != nil && (len(t.Measured) != n || len(t.Floor) != n || len(t.Taken) != n) {
		return errors.New("what was measured before the noise floor was taken off is not kept for every point")
	}
	return nil
}

// FloorShare is the part of the noise floor in one figure, as jsonb and on the
// wire. Of a leakage ratio it is that of the level in the adjacent channel.
type FloorShare struct {
	Measured float64 `json:"measured_dbm"` // at the connector, the noise in it
	Floor    float64 `json:"floor_dbm"`    // the noise alone, by the same method
	Excess   float64 `json:"excess_db"`    // Measured over Floor
	Taken    float64 `json:"taken_db"`     // taken off; zero where Excess is too small
}

// floorAt returns the share of a point of a series, or of the one value; nil
// where nothing was to be taken off.
func (r Reading) floorAt(point int) *FloorShare {
	t := r.Floor
	if t == nil {
		return nil
	}
	return &FloorShare{Measured: t.Measured[point], Floor: t.Floor[point], Excess: t.Measured[point] - t.Floor[point], Taken: t.Taken[point]}
}

// note says what was done to the figure of a requirement; empty where nothing
// was asked.
func (s *FloorShare) note(req Requirement) string {
	if s == nil {
		return ""
	}
	where := ""
	switch {
	case req.overFrequency():
		where = " at the worst point"
	case req.Alternative != nil:
		where = " of the level beside the carrier"
	}
	stands := fmt.Sprintf("%.2f dB over the floor of %.2f dBm", s.Excess, s.Floor)
	switch {
	case s.Taken == 0:
		return fmt.Sprintf("noise floor not taken off%s: %.2f dBm measured, %s", where, s.Measured, stands)
	case math.Abs(s.Excess-s.Taken-float64(uncertainty.LeastOverFloor)) < 1e-9:
		where += ", down to the least distance from the floor"
	}
	return fmt.Sprintf("noise floor taken off%s: %.2f dB from %.2f dBm measured, %s", where, s.Taken, s.Measured, stands)
}
