package instruments

import (
	"context"
	"errors"
	"fmt"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
)

// Result is what came of asking for one capability.
type Result string

// The results of a probe.
const (
	Answered    Result = "answered"
	NotNow      Result = "not now"     // it knows the query and cannot answer in its present state
	Refused     Result = "refused"     // the instrument reports an error
	Unreadable  Result = "unreadable"  // it answers, but not what the dialect says
	NoAnswer    Result = "no answer"   // nothing came in time, or the connection was lost
	NotAsked    Result = "not asked"   // asking or telling would change its state
	Unsupported Result = "unsupported" // the dialect says that it cannot do it
)

// Finding is what a probe found out about one capability.
type Finding struct {
	Capability string `json:"capability"`
	Query      string `json:"query"`
	Result     Result `json:"result"`
	Detail     string `json:"detail"` // the answer, or what went wrong
	// Queued are the error numbers that the instrument reported.
	Queued []int `json:"queued_errors"`
}

// Wrong reports whether instrument and dialect do not fit here.
func (f Finding) Wrong() bool {
	return f.Result == Refused || f.Result == Unreadable || f.Result == NoAnswer || f.Result == Answered && len(f.Queued) > 0
}

// Probe asks an instrument for everything its dialect has a query for and that
// leaves it as it is; values fill placeholders such as {channels}. It tells the
// instrument nothing, not even to end a measurement after a query that was refused.
// It goes on after a refusal and ends with ctx.
func Probe(ctx context.Context, i *Instrument, t *dialect.Table, values dialect.Values) ([]Finding, error) {
	if s, ok := i.session.(*scpi.Session); ok {
		defer s.SetAbort(s.SetAbort(""))
	}
	var findings []Finding
	for _, capability := range t.Capabilities() {
		f := Finding{Capability: capability, Result: NotAsked}
		query, err := t.Ask(capability, values)
		switch {
		case !t.Has(capability):
			f.Result = Unsupported
		case t.Commands[capability].Ask == "":
			f.Detail = "it is only told"
		case err != nil:
			f.Detail = err.Error()
		case !t.Harmless(capability):
			f.Query, f.Detail = query, "asking takes a measurement"
		default:
			f.Query = query
			i.ask(ctx, t, &f)
		}
		findings = append(findings, f)
		if ctx.Err() != nil {
			return findings, fmt.Errorf("instruments: probe of the %s at %s: %w", i.role, i.session.Resource(), context.Cause(ctx))
		}
	}
	return findings, nil
}

// ask asks one query and notes what came of it.
func (i *Instrument) ask(ctx context.Context, t *dialect.Table, f *Finding) {
	var err error
	switch s := i.session.(type) {
	case *scpi.Session:
		// The status byte is asked in the same message: a query that is refused
		// then costs no time-out, as one answer comes in any case.
		err = s.Ask(ctx, func(answers []string) error {
			f.read(t, answers[0])
			return nil
		}, f.Query, "*STB?")
		if err == nil {
			err = f.queue(ctx, s)
		}
	case *shell.Session:
		err = s.Ask(ctx, func(outputs []string) error {
			answer, err := t.Answer(f.Capability, outputs[0])
			if err != nil {
				f.Result, f.Detail = Unreadable, err.Error()
				return nil
			}
			f.read(t, string(answer))
			return nil
		}, f.Query)
	default:
		err = fmt.Errorf("instruments: a %T cannot be probed", s)
	}
	if err != nil {
		f.fail(err)
	}
}

// read decodes an answer.
func (f *Finding) read(t *dialect.Table, answer string) {
	f.Result = Answered
	var err error
	if f.Detail, err = t.Describe(f.Capability, []byte(answer)); err != nil {
		f.Result, f.Detail = Unreadable, err.Error()
		if errors.Is(err, scpi.ErrNotMeasured) { // it knows the question
			f.Result = Answered
		}
	}
}

// queue notes what is in the error queue although there was an answer.
func (f *Finding) queue(ctx context.Context, s *scpi.Session) error {
	entries, err := s.DrainErrors(ctx)
	for _, e := range entries {
		f.Queued = append(f.Queued, e.Number)
		f.Detail += "; the instrument reports: " + e.Error()
	}
	return err
}

// fail notes why there is no answer.
func (f *Finding) fail(err error) {
	f.Result, f.Detail = NoAnswer, err.Error()
	var queued *scpi.Error
	var refused *shell.Refusal
	switch {
	case errors.As(err, &queued):
		f.Result, f.Queued, f.Detail = Refused, append(f.Queued, queued.Number), queued.Error()
		if queued.Number <= -200 && queued.Number > -300 { // an execution error (SCPI-1999 vol. 2, 21.8.10)
			f.Result = NotNow
		}
	case errors.As(err, &refused):
		f.Result, f.Detail = Refused, refused.Error()
	}
}
