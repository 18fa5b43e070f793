package procedure

import "benchyard/jobs/conformance"

// LossAt returns the path loss in dB that was added to the level of a result, or
// nil for a figure that is no single level.
func (s Setup) LossAt(r conformance.Result) *float64 {
	if r.Requirement.Unit != "dBm" || r.At == 0 {
		return nil
	}
	loss, _, err := s.Correction.At(r.At)
	if err != nil {
		return nil // the end of a trace may miss that of the table by a rounding error
	}
	v := float64(loss)
	return &v
}
