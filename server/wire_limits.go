package server

import (
	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/server/api"
)

// LimitsToWire returns requirements as they go over the network and out of
// `--format json`, in the order given.
func LimitsToWire(requirements []conformance.Requirement) []api.Limit {
	limits := make([]api.Limit, 0, len(requirements))
	for _, r := range requirements {
		limits = append(limits, limitToWire(r))
	}
	return limits
}

func limitToWire(r conformance.Requirement) api.Limit {
	l := api.Limit{
		Key: r.Key, Clause: r.Clause, Title: r.Title, Quantity: r.Quantity, Side: string(r.Side), Unit: r.Unit,
		Core: r.Core, Tolerance: r.Tolerance, ToleranceKnown: r.ToleranceKnown,
		Lower: r.Lower, Upper: r.Upper, UpperTo: r.UpperTo,
		MeasurementBandwidthHz: hertzOrNull(r.MeasurementBandwidth),
		CoreSource:             r.CoreSource, ToleranceSource: r.ToleranceSource, Provenance: r.Provenance,
	}
	if r.CoreTo != r.Core && r.UpperTo != nil {
		l.CoreTo = &r.CoreTo
	}
	l.Sum, l.Loosened = []api.LimitCurve{}, []api.Loosening{}
	for _, c := range r.Sum {
		l.Sum = append(l.Sum, curveToWire(c))
	}
	for _, x := range r.Loosened {
		l.Loosened = append(l.Loosened, api.Loosening{Part: x.Part, Figure: x.Figure, Published: x.Published, Value: x.Value, Unit: x.Unit, Reason: x.Reason, Source: x.Source})
	}
	if r.OffsetTo != 0 {
		l.OffsetFromHz, l.OffsetToHz = hertz(r.OffsetFrom), hertz(r.OffsetTo)
	}
	if r.Frequencies.High != 0 {
		l.FrequencyFromHz, l.FrequencyToHz = hertz(r.Frequencies.Low), hertz(r.Frequencies.High)
	}
	if a := r.Alternative; a != nil {
		l.Alternative = &api.AlternativeLimit{
			Core: a.Core, Tolerance: a.Tolerance, PerMHz: a.PerMHz, BandwidthHz: float64(a.Bandwidth), Source: a.Source,
		}
	}
	return l
}

func curveToWire(c conformance.Curve) api.LimitCurve {
	out := api.LimitCurve{Points: make([]api.LimitPoint, 0, len(c))}
	for _, p := range c {
		out.Points = append(out.Points, api.LimitPoint{FrequencyHz: float64(p.Frequency), LevelDBm: p.Level})
	}
	return out
}

// LimitListToWire returns the answer to a question for limits.
func LimitListToWire(set *conformance.Set, s conformance.Subject, found []conformance.Requirement, refused []conformance.Refused) api.LimitList {
	l := api.LimitList{
		LimitSet: set.Name(), RFBandwidth: rangeToWire(s.RFBandwidth()), Gaps: []api.FrequencyRange{},
		Limits: LimitsToWire(found), Refused: []api.RefusedClause{},
	}
	for _, c := range s.All() {
		l.Carriers = append(l.Carriers, CarrierToWire(c))
	}
	for _, g := range s.Gaps() {
		l.Gaps = append(l.Gaps, rangeToWire(g.Range))
	}
	for _, r := range refused {
		l.Refused = append(l.Refused, api.RefusedClause{Clause: r.Clause, Reason: r.Reason})
	}
	return l
}

func rangeToWire(r rf.Range) api.FrequencyRange {
	return api.FrequencyRange{FromHz: float64(r.Low), ToHz: float64(r.High)}
}

// CarrierToWire returns a placed carrier as it goes over the network.
func CarrierToWire(c conformance.Carrier) api.Carrier {
	return api.Carrier{
		Band: c.Band, RFChannel: string(c.Channel), NREF: c.NREF, CarrierHz: float64(c.Center),
		BandwidthHz: float64(c.Bandwidth), SCSHz: float64(c.SCS), ResourceBlocks: c.ResourceBlocks,
		ConfiguredHz: float64(c.Configured()),
	}
}

// ConditionsOf says at what a carrier was measured at one connector.
func ConditionsOf(c conformance.Carrier, connector int, testModel string) api.Conditions {
	return api.Conditions{
		Band: c.Band, RFChannel: string(c.Channel), CarrierHz: float64(c.Center), BandwidthHz: float64(c.Bandwidth),
		SCSHz: float64(c.SCS), Connector: connector, TestModel: testModel,
	}
}

// ResultsToWire returns judged figures of one case as they go over the network.
// Identity (serial, build, run) is left for the caller, who knows whether there
// is any.
func ResultsToWire(judged []conformance.Result, at api.Conditions, simulated bool) []api.Result {
	out := make([]api.Result, 0, len(judged))
	for _, j := range judged {
		out = append(out, resultToWire(j, at, simulated))
	}
	return out
}

func resultToWire(j conformance.Result, at api.Conditions, simulated bool) api.Result {
	q := j.Requirement
	return api.Result{
		Key: q.Key, Clause: q.Clause, Title: q.Title, Quantity: q.Quantity, Value: j.Value, Unit: q.Unit,
		Lower: j.Lower, Upper: j.Upper, Margin: j.Margin, Verdict: string(j.Verdict), Conditions: at,
		AtHz: hertzOrNull(j.At), MeasurementBandwidthHz: hertzOrNull(q.MeasurementBandwidth),
		Core: q.Core, Tolerance: q.Tolerance, ToleranceKnown: q.ToleranceKnown, Uncertainty: j.Uncertainty, Rule: j.Rule, Note: j.Note,
		Source: q.CoreSource, ToleranceSource: q.ToleranceSource, Provenance: q.Provenance, Simulated: simulated,
		Probability: j.Probability, Risk: riskOf(j), Budget: budgetToWire(j.Budget), MaxUncertainty: j.MaxUncertainty,
		Tightened: j.Tightened, CarrierPowerDBm: j.CarrierPower, CorrectionDB: j.Correction, NoiseFloor: floorToWire(j.Floor),
	}
}

func hertz(f rf.Hertz) *float64 { v := float64(f); return &v }

func hertzOrNull(f rf.Hertz) *float64 {
	if f == 0 {
		return nil
	}
	return hertz(f)
}
