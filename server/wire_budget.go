package server

import (
	"benchyard/jobs/conformance"
	"benchyard/jobs/uncertainty"
	"benchyard/server/api"
)

func budgetToWire(b *uncertainty.Budget) *api.Budget {
	if b == nil {
		return nil
	}
	w := &api.Budget{
		Parts: make([]api.UncertaintyPart, 0, len(b.Parts)), Combined: b.Combined, EffectiveDoF: numberOrNull(b.EffectiveDoF),
		Coverage: b.Coverage, Expanded: b.Expanded,
	}
	for _, p := range b.Parts {
		w.Parts = append(w.Parts, api.UncertaintyPart{
			Name: p.Name, Kind: string(p.Kind), Value: p.Value, Divisor: p.Divisor, Sensitivity: p.Sensitivity,
			Standard: p.Standard, DegreesOfFreedom: numberOrNull(p.DegreesOfFreedom),
		})
	}
	return w
}

// riskOf returns how likely the verdict is wrong; null where nothing is known
// of the uncertainty.
func riskOf(r conformance.Result) *float64 {
	if wrong, known := r.Risk(); known {
		return &wrong
	}
	return nil
}

func numberOrNull(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return &v
}

func floorToWire(f *conformance.FloorShare) *api.NoiseFloor {
	if f == nil {
		return nil
	}
	return &api.NoiseFloor{MeasuredDBm: f.Measured, FloorDBm: f.Floor, ExcessDB: f.Excess, TakenDB: f.Taken}
}
