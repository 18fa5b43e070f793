package results

import (
	"errors"
	"fmt"
	"math"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
)

// check refuses what must not be stored and returns the verdict of the case.
func (c Case) check() (conformance.Verdict, error) {
	if c.Key == "" || c.Clause == "" || c.Position < 1 {
		return "", fmt.Errorf("results: case %q, clause %q, position %d: a case needs a key, a clause and a position from 1", c.Key, c.Clause, c.Position)
	}
	if c.MeasuredAt.IsZero() {
		return "", fmt.Errorf("results: case %s has no time", c.Key)
	}
	verdict, err := c.verdict()
	if err != nil {
		return "", fmt.Errorf("results: case %s: %w", c.Key, err)
	}
	for _, r := range c.Results {
		if err := checkResult(r); err != nil {
			return "", fmt.Errorf("results: case %s, %s: %w", c.Key, r.Requirement.Key, err)
		}
	}
	for i, t := range c.Traces {
		if err := t.Spectrum.Validate(); err != nil {
			return "", fmt.Errorf("results: case %s, trace %d (%s): %w", c.Key, i+1, t.Role, err)
		}
	}
	return verdict, nil
}

// verdict holds the verdict of the case against its results: a case without a
// judged figure cannot pass or fail, and one with figures is the worst of them.
func (c Case) verdict() (conformance.Verdict, error) {
	switch c.Verdict {
	case conformance.ErrorVerdict, conformance.Aborted, conformance.NotRun:
		if len(c.Results) > 0 {
			return "", fmt.Errorf("the verdict is %q, but there are %d judged figures", c.Verdict, len(c.Results))
		}
		if (c.Verdict == conformance.ErrorVerdict) != (c.Error != "") {
			return "", fmt.Errorf("the verdict is %q with the reason %q: an error has a reason, and nothing else does", c.Verdict, c.Error)
		}
		return c.Verdict, nil
	}
	if len(c.Results) == 0 {
		return "", fmt.Errorf("the verdict is %q, but no figure was judged", c.Verdict)
	}
	if c.Error != "" {
		return "", fmt.Errorf("there are judged figures beside the error %q", c.Error)
	}
	verdicts := make([]conformance.Verdict, len(c.Results))
	for i, r := range c.Results {
		verdicts[i] = r.Verdict
	}
	worst := conformance.Worst(verdicts)
	if c.Verdict != "" && c.Verdict != worst {
		return "", fmt.Errorf("the verdict is %q, but the worst of its figures is %q", c.Verdict, worst)
	}
	return worst, nil
}

func checkResult(r conformance.Result) error {
	if !judged(r.Verdict) {
		return fmt.Errorf("%q is no verdict of a figure", r.Verdict)
	}
	if r.Requirement.Key == "" {
		return errors.New("the figure has no requirement")
	}
	figures := map[string]float64{
		"value": r.Value, "margin": r.Margin, "uncertainty": r.Uncertainty, "frequency": float64(r.At), "tightening": r.Tightened,
		"core value": r.Requirement.Core, "tolerance": r.Requirement.Tolerance,
	}
	for name, v := range map[string]*float64{
		"lower limit": r.Lower, "upper limit": r.Upper, "conformance probability": r.Probability,
		"permitted uncertainty": r.MaxUncertainty, "carrier power": r.CarrierPower, "path correction": r.Correction,
	} {
		if v != nil {
			figures[name] = *v
		}
	}
	if f := r.Floor; f != nil {
		figures["level before its noise was taken off"], figures["noise floor"], figures["noise taken off"] = f.Measured, f.Floor, f.Taken
	}
	for name, v := range figures {
		if math.IsNaN(v) || math.Abs(v) >= rf.SpecialNumber {
			return fmt.Errorf("the %s is %v, not a number that was measured or calculated", name, v)
		}
	}
	return nil
}

// judged tells whether a verdict is the outcome of a valid measurement.
func judged(v conformance.Verdict) bool { return passed(v) || failed(v) }

func passed(v conformance.Verdict) bool {
	return v == conformance.Pass || v == conformance.ConditionalPass
}

func failed(v conformance.Verdict) bool {
	return v == conformance.Fail || v == conformance.ConditionalFail
}
