package conformance

import (
	"errors"
	"fmt"

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

// note says what was done to the point that decides, after where.
func (t *FloorTaken) note(i int, where string) string {
	measured, floor, taken := t.Measured[i], t.Floor[i], t.Taken[i]
	stands := fmt.Sprintf("%.2f dB over the floor of %.2f dBm", measured-floor, floor)
	switch {
	case taken == 0:
		return fmt.Sprintf("noise floor not taken off%s: %.2f dBm measured, %s", where, measured, stands)
	case taken == float64(uncertainty.MostFloorCorrection):
		where += ", the most that is taken off"
	}
	return fmt.Sprintf("noise floor taken off%s: %.2f dB from %.2f dBm measured, %s", where, taken, measured, stands)
}

// floorNote is the note of the point that decides; empty where nothing was asked.
func (r Reading) floorNote(req Requirement, point int) string {
	switch {
	case r.Floor == nil:
		return ""
	case r.Series != nil:
		return r.Floor.note(point, " at the worst point")
	case req.Alternative != nil:
		return r.Floor.note(0, " of the level beside the carrier")
	}
	return r.Floor.note(0, "")
}
