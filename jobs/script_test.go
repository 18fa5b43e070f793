package jobs

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// script measures a unit as somebody would who writes the plan down as a program:
// case after case in the order in which the plan has them, each from the beginning.
// Every command goes by itself, with *OPC? and the error queue asked after it. It waits
// for what it starts and for nothing else: there are no fixed pauses, tracking is polled
// every 100 ms, the power has settled when two looks agree, and it goes on the air at
// full power at once, which a bench should not. Figures, limits and tables are those of
// the program, so that only the order of work differs.
type script struct {
	ctx  context.Context
	bed  *testBed
	open map[string]*scpi.Session
	err  error
}

// connect opens a session to everything the script speaks to.
func (s *script) connect(names ...string) error {
	for _, name := range names {
		text, err := s.bed.lab.Resource(name)
		if err != nil {
			return err
		}
		resource, err := scpi.ParseResource(text)
		if err != nil {
			return err
		}
		if s.open[name], err = scpi.Dial(s.ctx, resource, scpi.Config{}); err != nil {
			return err
		}
	}
	return nil
}

func (s *script) close() {
	for _, session := range s.open {
		_ = session.Close() // nothing was left unsaid
	}
}

// tell sends commands one by one, and asks after each whether it is done and taken.
// After the first error it does nothing any more.
func (s *script) tell(name string, commands ...string) {
	for _, c := range commands {
		if s.err == nil {
			s.err = s.open[name].Wait(s.ctx, time.Hour, c)
		}
		if answer := s.ask(name, ":SYST:ERR?"); s.err == nil && !strings.HasPrefix(answer, "0") && !strings.HasPrefix(answer, "+0") {
			s.err = fmt.Errorf("%s: %s: %s", name, c, answer)
		}
	}
}

func (s *script) ask(name, query string) string {
	var answer string
	if s.err == nil {
		answer, s.err = s.open[name].Query(s.ctx, query)
	}
	return answer
}

// until polls a query.
func (s *script) until(name, query, wanted string) {
	for s.err == nil && s.ask(name, query) != wanted {
		pause(s.ctx, nil, 100*time.Millisecond)
		if s.ctx.Err() != nil {
			s.err = s.ctx.Err()
		}
	}
}

// written prints a quantity for the wire.
func written(x float64) string { return strconv.FormatFloat(x, 'E', -1, 64) }

// bringUp readies bench and unit, warm-up included.
func (s *script) bringUp(m *mount, build string, amps float64) {
	unit, bench := m.unit.Serial, m.bench
	s.tell(unit, ":OUTP OFF")
	s.tell(bench.Analyzer, "*RST", ":POW:ATT 70", ":INIT:CONT OFF", ":DET RMS", ":AVER:TYPE RMS", ":FORM REAL,32", ":FORM:BORD NORM", ":ROSC:SOUR EXT")
	s.tell(bench.Supply, ":VOLT "+written(bench.SupplyVolts), ":CURR "+written(amps), ":OUTP ON")
	if s.ask(unit, ":SYST:BUIL?") != scpi.Quote(build) {
		s.tell(unit, ":SYST:BUIL "+scpi.Quote(build))
	}
}

// tune brings one carrier on the air and waits until its power holds still.
func (s *script) tune(m *mount, c plan.Case, setup procedure.Setup) {
	unit, k := m.unit.Serial, setup.Subject.All()[0]
	path, _ := m.lab.PathFor(m.unit.Bench, m.unit.Slot, c.Connector)
	s.tell(unit, ":OUTP OFF", ":TIM OFF", ":CAL:TRAC OFF", ":CARR:COUN 1", ":CARR1:FREQ "+written(float64(k.Center)), ":CARR1:BAND "+written(float64(k.Bandwidth)),
		":CARR1:SCSP "+written(float64(k.SCS)), ":CARR1:POW "+written(float64(setup.Subject.CarrierPower())), ":CARR:TMOD "+scpi.Quote(c.TestModel),
		":CARR:DUPL "+setup.Duplex, ":CARR:SOUR MOD", ":SYNT:RES", ":CAL:INIT", ":CAL:TRAC ON")
	s.until(unit, ":CAL:TRAC:STAT?", "CONV")
	s.tell(m.bench.Switcher, ":ROUT:OPEN:ALL", ":ROUT:CLOS (@"+strings.Trim(path.Route, "(@)")+")")
	s.tell(unit, ":TIM ON", ":OUTP ON")
	s.settle(m, setup)
}

// settle looks at the power until two looks agree within 0.3 dB.
func (s *script) settle(m *mount, setup procedure.Setup) {
	setup.LessFloor = false
	planned, err := procedure.Plan("6.2", setup)
	if err != nil && s.err == nil {
		s.err = err
	}
	for before, last := 0.0, 1e9; s.err == nil && math.Abs(last-before) > 0.3; {
		planned[0].Sweep.Averages = 1
		traces := s.sweep(m, planned)
		if s.err != nil {
			return
		}
		readings, err := procedure.Analyze("6.2", setup, traces)
		if s.err = err; err == nil {
			before, last = last, readings[0].Value
		}
	}
}

func (s *script) sweep(m *mount, planned []procedure.Planned) []procedure.Trace {
	if s.err != nil {
		return nil
	}
	traces, err := procedure.Acquire(s.ctx, sweeper{s, m.bench.Analyzer, float64(m.analyzer.NoiseFactor)}, planned)
	s.err = err
	return traces
}

// sweeper is the analyzer as the script drives it.
type sweeper struct {
	script *script
	name   string
	factor float64
}

// Sweep sets everything, sweeps, asks for an overload, and fetches.
func (a sweeper) Sweep(_ context.Context, w rf.Sweep) (rf.Spectrum, error) {
	s := a.script
	attenuation := 2 * float64(int((float64(w.Attenuation)+1)/2))
	commands := []string{
		":POW:ATT " + written(attenuation), ":DISP:TRAC:Y:RLEV " + written(float64(w.ReferenceLevel)),
		":FREQ:STAR " + written(float64(w.Start)), ":FREQ:STOP " + written(float64(w.Stop)), ":BAND " + written(float64(w.RBW)),
		":BAND:VID " + written(3*float64(w.RBW)), ":SWE:POIN " + strconv.Itoa(w.Points), ":SWE:TIME:AUTO ON",
		":AVER:COUN " + strconv.Itoa(max(1, w.Averages)), ":AVER ON", ":SWE:EGAT OFF", ":TRIG:SOUR IMM",
	}
	if w.VBW > 0 {
		commands[5] = ":BAND:VID " + written(float64(w.VBW))
	}
	if w.SweepTime > 0 {
		commands[7] = ":SWE:TIME " + written(w.SweepTime.Seconds())
	}
	if g := w.Gate; g != nil {
		commands = append(commands[:10], ":TRIG:SOUR EXT", ":SWE:EGAT:DEL "+written(g.Delay.Seconds()), ":SWE:EGAT:LENG "+written(g.Length.Seconds()), ":SWE:EGAT ON")
	}
	s.tell(a.name, append(commands, ":INIT")...)
	if overload := s.ask(a.name, ":STAT:QUES:COND?"); s.err == nil && overload != "0" {
		s.err = fmt.Errorf("%s: questionable status %s", a.name, overload)
	}
	if s.err != nil {
		return rf.Spectrum{}, s.err
	}
	block, err := s.open[a.name].QueryBlock(s.ctx, ":TRAC? TRACE1")
	if err != nil {
		return rf.Spectrum{}, err
	}
	levels, err := scpi.DecodeReal32(block)
	return rf.Spectrum{
		Start: w.Start, Step: (w.Stop - w.Start) / rf.Hertz(w.Points-1), RBW: w.RBW,
		NoiseBandwidth: w.RBW * rf.Hertz(a.factor), Attenuation: rf.DB(attenuation), Levels: levels,
	}, err
}

// run measures one unit and stores its cases.
func (s *script) run(m *mount, p *plan.Plan, cases []plan.Case, run uuid.UUID, build string) error {
	s.bringUp(m, build, m.bench.SupplyAmps)
	for i, c := range inOrderOf(p, cases) {
		record := describe(c)
		record.MeasuredAt, record.Attempt = time.Now(), 1
		setup, err := m.setup(c)
		if err != nil {
			return err
		}
		planned, err := procedure.Plan(c.Clause, setup)
		if err != nil {
			return err
		}
		s.tune(m, c, setup)
		if w := p.WarmUp; i == 0 && w.Limit > 0 { // once for each unit, as in the run loop
			pause(s.ctx, nil, w.Minimum)
			s.settle(m, setup)
		}
		k := taken{Case: c, setup: setup, record: record, traces: s.sweep(m, planned)}
		if s.err == nil {
			s.err = k.judge(p.Rule)
		}
		if s.err != nil {
			return fmt.Errorf("%s: %w", c.Key, s.err)
		}
		k.record.Duration = time.Since(record.MeasuredAt)
		err = pgx.BeginFunc(s.ctx, s.bed.pool, func(tx pgx.Tx) error {
			return results.InsertCases(s.ctx, tx, run, 1, []results.Case{k.record})
		})
		if err != nil {
			return err
		}
	}
	s.tell(m.unit.Serial, ":OUTP OFF")
	s.tell(m.bench.Analyzer, ":POW:ATT 70")
	s.tell(m.bench.Switcher, ":ROUT:OPEN:ALL")
	return s.err
}

// inOrderOf sorts cases as the tests of the plan are written: test by test, in each
// channel by channel and connector by connector.
func inOrderOf(p *plan.Plan, cases []plan.Case) []plan.Case {
	var all []plan.Case
	for _, test := range p.Tests {
		for _, c := range cases {
			if c.Clause == test.Clause {
				all = append(all, c)
			}
		}
	}
	return all
}

// runScript measures units of a test bed one after the other; nothing else may drive the bench.
func runScript(b *testBed, document string, runs map[string]uuid.UUID, serials []string) error {
	ctx := b.t.Context()
	l, _, err := lab.Load(ctx, b.pool, 0)
	if err != nil {
		return err
	}
	p, err := plan.Parse("plan.yaml", []byte(document))
	if err != nil {
		return err
	}
	for _, serial := range serials {
		m, err := findMount(l, serial)
		if err != nil {
			return err
		}
		cases, err := plan.Expand(p, m.target())
		if err != nil {
			return err
		}
		s := &script{ctx: ctx, bed: b, open: map[string]*scpi.Session{}}
		err = s.connect(serial, m.bench.Analyzer, m.bench.Supply, m.bench.Switcher)
		if err == nil {
			err = s.run(m, p, cases, runs[serial], "2.4.0")
		}
		s.close()
		if err != nil {
			return fmt.Errorf("script: %s: %w", serial, err)
		}
	}
	return nil
}
