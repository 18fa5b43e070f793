package analyzer_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// open starts the script; long messages keep each step of it on one line.
func open(t *testing.T, steps ...Step) *analyzer.Analyzer {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{MaxMessage: 1000})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return analyzer.New(s, dialect.Standard("analyzer"))
}

// The sweep of these tests, and what goes over the wire for it.
var sweep = rf.Sweep{Start: 1e9, Stop: 1.01e9, RBW: 100e3, Points: 3, Attenuation: 11, ReferenceLevel: -10}

const (
	level     = ":POW:ATT 1.2E+01;:DISP:TRAC:Y:RLEV -1E+01" // 11 dB becomes the next step of 2 dB
	frequency = ":FREQ:STAR 1E+09;:FREQ:STOP 1.01E+09"
	filter    = ":BAND 1E+05;:BAND:VID 3E+05"
	rest      = ":SWE:POIN 3;:SWE:TIME:AUTO ON;:AVER OFF;:SWE:EGAT OFF;:TRIG:SOUR IMM"
	all       = level + ";" + frequency + ";" + filter + ";" + rest
	askBack   = ":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?;:POW:ATT?;:BAND?;:SWE:TIME?"
	back      = "1E9;1.01E9;3;12;100000;0.01"
	fetch     = ":STAT:QUES:COND?;:ROSC:LOCK?;:SYST:ERR?;:FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?;:POW:ATT?;:BAND?;:TRAC? TRACE1"
	inForce   = "1E9;1.01E9;3;12;100000" // part of the answer to fetch
)

// set answers settings, which are read back in the same message.
func set(commands, answer string) Step {
	return Answer(commands+";:SYST:ERR?;"+askBack, NoError+";"+answer)
}

// trace is the answer to fetch for these levels, without an overload.
func trace(levels ...float64) string { return status("0;1", levels...) }

func status(condition string, levels ...float64) string {
	return condition + ";" + NoError + ";" + inForce + ";" + string(scpi.AppendBlock(nil, scpi.AppendReal32(nil, levels)))
}

func taken(answer string) Step {
	return Steps(Answer(":ABOR;:INIT;*OPC?", "1"), Answer(fetch, answer))
}

func TestOnlyWhatChangedIsSent(t *testing.T) {
	a := open(t, set(all, back), taken(trace(-10, -20.5, -30)),
		taken(trace(-11, -12, -13)),
		set(":FREQ:STAR 2E+09;:FREQ:STOP 2.01E+09;:AVER:COUN 4;:AVER ON;:TRIG:SOUR EXT;:SWE:EGAT:DEL 1E-04;:SWE:EGAT:LENG 2.5E-03;:SWE:EGAT ON",
			"2E9;2.01E9;3;12;100000;0.01"), taken(strings.Replace(trace(-1, -2, -3), inForce, "2E9;2.01E9;3;12;100000", 1)))
	first, err := a.Sweep(t.Context(), sweep)
	if err != nil {
		t.Fatal(err)
	}
	// 1.0645 is the noise factor of a Gaussian filter (facts/metrology.md 4.3).
	if first.Start != 1e9 || first.Step != 5e6 || first.RBW != 100e3 || math.Abs(float64(first.NoiseBandwidth)-106450) > 1e-6 || first.Levels[1] != -20.5 {
		t.Errorf("got %+v", first)
	}
	if second, err := a.Sweep(t.Context(), sweep); err != nil || second.Levels[0] != -11 {
		t.Errorf("got %+v, %v", second, err)
	}
	other := sweep
	other.Start, other.Stop, other.Averages = 2e9, 2.01e9, 4
	other.Gate = &rf.Gate{Delay: 100 * time.Microsecond, Length: 2500 * time.Microsecond, Period: 5 * time.Millisecond}
	if third, err := a.Sweep(t.Context(), other); err != nil || third.Start != 2e9 {
		t.Errorf("got %+v, %v", third, err)
	}
}

func TestSettingsAreSentAgainAfterAnyDoubt(t *testing.T) {
	whole := Steps(set(all, back), taken(trace(-1, -2, -3)))
	ctx, cancel := context.WithCancel(t.Context())
	closed := make(chan struct{})
	a := open(t, whole, // first
		Answer(":ABOR;:INIT;*OPC?", "1"), Answer(fetch, trace(-1, -2)), whole, // a trace too short
		Close(), Do(func() { close(closed) }), Accept(), Answer(":ABOR;*ESR?;*CLS;*IDN?", "0;"+Identity), whole, // a new connection
		Expect(":ABOR;:INIT;*OPC?"), Do(cancel), Gone(), // a cancelled sweep
		Accept(), Answer(":ABOR;*ESR?;*CLS;*IDN?", "0;"+Identity), whole,
		Confirm(":ABOR;:POW:ATT 7E+01", ":POW:ATT?", "70"), whole) // protected meanwhile
	run := func(ctx context.Context) error {
		_, err := a.Sweep(ctx, sweep)
		return err
	}
	if err := run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := run(t.Context()); err == nil {
		t.Fatal("two points of three: want an error")
	}
	if err := run(t.Context()); err != nil {
		t.Fatal(err)
	}
	<-closed
	if err := run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := run(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	if err := run(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.Protect(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := run(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func TestWhatIsNoMeasurement(t *testing.T) {
	var refused *scpi.Error
	tests := []struct {
		name, answer string
		want         func(error) bool
	}{
		{"reference lost", status("0;0", -1, -2, -3), is(analyzer.ErrReference)},
		{"9.91E37, SCPI-1999 vol. 1 7.2.1.5", trace(-1, 9.91e37, -3), some},
		{"NaN", trace(-1, math.NaN(), -3), some},
		{"too many points", trace(-1, -2, -3, -4), some},
		{"no block", "0;1;" + NoError + ";" + inForce + ";-1,-2,-3", some},
		{"three bytes", "0;1;" + NoError + ";" + inForce + ";#13abc", some},
		{"status is no number", status("x;1", -1, -2, -3), is(scpi.ErrAnswer)},
		{"another span meanwhile", strings.Replace(trace(-1, -2, -3), inForce, "0;26.5E9;3;12;100000", 1), is(analyzer.ErrSettings)},
		{"less attenuation meanwhile", strings.Replace(trace(-1, -2, -3), inForce, "1E9;1.01E9;3;0;100000", 1), is(analyzer.ErrSettings)},
		{"error queued", strings.Replace(trace(-1, -2, -3), NoError, `-213,"Init ignored"`, 1), func(err error) bool { return errors.As(err, &refused) }},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			steps := []Step{set(all, back), taken(tt.answer)}
			if tt.name == "error queued" {
				steps = append(steps, Answer(":SYST:ERR?", NoError))
			}
			got, err := open(t, steps...).Sweep(t.Context(), sweep)
			if err == nil || !tt.want(err) || got.Levels != nil {
				t.Errorf("got %+v, %v", got, err)
			}
		})
	}
}

func is(target error) func(error) bool { return func(err error) bool { return errors.Is(err, target) } }

func some(error) bool { return true }

func TestSettingsThatWereNotTaken(t *testing.T) {
	for _, answers := range []string{
		"1E9;1.02E9;3;12;100000;0.01", "1E9;1.01E9;5;12;100000;0.01", "1E9;1.01E9;3;10;100000;0.01", "1E9;1.01E9;3;12;300000;0.01",
		"2E9;1.01E9;3;12;100000;0.01",
	} {
		a := open(t, set(all, answers))
		if _, err := a.Sweep(t.Context(), sweep); !errors.Is(err, analyzer.ErrSettings) {
			t.Errorf("%s: got %v", answers, err)
		}
	}
	a := open(t, set(all, "1E9;1.01E9;3;12;9.91E37;0.01"))
	if _, err := a.Sweep(t.Context(), sweep); !errors.Is(err, scpi.ErrAnswer) {
		t.Errorf("got %v", err)
	}
}

func TestSweepsNobodyCanTake(t *testing.T) {
	a := open(t)
	for name, change := range map[string]func(*rf.Sweep){
		"falling":              func(s *rf.Sweep) { s.Stop = s.Start },
		"not a number":         func(s *rf.Sweep) { s.Stop = rf.Hertz(math.NaN()) },
		"endless":              func(s *rf.Sweep) { s.Stop = rf.Hertz(math.Inf(1)) },
		"endless bandwidth":    func(s *rf.Sweep) { s.RBW = rf.Hertz(math.Inf(1)) },
		"no video bandwidth":   func(s *rf.Sweep) { s.VBW = rf.Hertz(math.NaN()) },
		"no reference level":   func(s *rf.Sweep) { s.ReferenceLevel = rf.DBm(math.NaN()) },
		"one point":            func(s *rf.Sweep) { s.Points = 1 },
		"no bandwidth":         func(s *rf.Sweep) { s.RBW = 0 },
		"negative averages":    func(s *rf.Sweep) { s.Averages = -1 },
		"too much attenuation": func(s *rf.Sweep) { s.Attenuation = 71 },
		"gate over its period": func(s *rf.Sweep) { s.Gate = &rf.Gate{Length: 2, Period: 1} },
	} {
		s := sweep
		change(&s)
		if _, err := a.Sweep(t.Context(), s); err == nil {
			t.Errorf("%s: want an error", name)
		}
	}
}

func TestASweepThatDoesNotSayItIsDone(t *testing.T) {
	for _, answer := range []string{"0", "", NoError, "1;1"} {
		a := open(t, set(all, back), Answer(":ABOR;:INIT;*OPC?", answer), ResyncAfter(":ABOR;", ""), Confirm(":ABOR;:POW:ATT 7E+01", ":POW:ATT?", "70"))
		if trace, err := a.Sweep(t.Context(), sweep); !errors.Is(err, scpi.ErrAnswer) {
			t.Errorf("%q: got %v, %v", answer, trace, err)
		}
		if err := a.Protect(t.Context()); err != nil {
			t.Error(err)
		}
	}
}

func TestPrepareAfterARestart(t *testing.T) {
	ended := make(chan struct{})
	a := open(t, Close(), Do(func() { close(ended) }), Accept(),
		Answer(":ABOR;*ESR?;*CLS;*IDN?", "128;"+Identity), // 488.2 11.5.1: power on
		Confirm(":ABOR;:POW:ATT 7E+01", ":POW:ATT?", "70"), Expect(":ABOR;*RST;:POW:ATT 7E+01;*OPC?"), Reset())
	<-ended
	if err := a.Protect(t.Context()); err != nil { // safe state comes first and leaves the restart to be told
		t.Fatal(err)
	}
	if err := a.Prepare(t.Context()); err == nil || errors.Is(err, scpi.ErrRestarted) {
		t.Fatalf("got %v, want that of the connection reset later", err)
	}
}

func TestPrepare(t *testing.T) {
	const settings = ":INIT:CONT OFF;:DET RMS;:AVER:TYPE RMS;:FORM REAL,32;:FORM:BORD NORM;:ROSC:SOUR EXT"
	protect := Confirm(":ABOR;:POW:ATT 7E+01", ":POW:ATT?", "70")
	a := open(t, Answer(":ABOR;*RST;:POW:ATT 7E+01;*OPC?", "1"), Command(settings), protect,
		Answer(":ROSC:LOCK?", "0"), Answer(":ROSC:LOCK?", "1"), // it takes a moment to lock
		Confirm(":ABOR;:POW:ATT 7E+01", ":POW:ATT?", "10"))
	if err := a.Prepare(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.Protect(t.Context()); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("attenuator stuck: got %v", err)
	}
}

// attenuated answers a sweep at another attenuation and reference level.
func attenuated(db, level, condition string) []Step {
	is := strings.Replace(back, ";12;", ";"+db+";", 1)
	answer := strings.Replace(status(condition, -1, -2, -3), ";12;", ";"+db+";", 1)
	x, _ := scpi.ParseNumber([]byte(db), "")
	return []Step{set(":POW:ATT "+scpi.FormatNumber(x)+";:DISP:TRAC:Y:RLEV "+level, is), taken(answer)}
}

func TestAnOverloadIsAnsweredWithMoreAttenuation(t *testing.T) {
	// STATus:QUEStionable bit 3, POWer (SCPI-1999 vol. 2, ch. 20); 11 dB + 10 dB is 22 dB in steps of 2 dB.
	steps := append([]Step{set(all, back), taken(status("8;1", -1, -2, -3))}, attenuated("22", "0E+00", "0;1")...)
	got, err := open(t, steps...).Sweep(t.Context(), sweep)
	if err != nil || got.Attenuation != 22 || got.Levels[2] != -3 {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestAnOverloadAtFullAttenuationIsNoMeasurement(t *testing.T) {
	hot := sweep
	hot.Attenuation = 65
	first := strings.Replace(all, level, ":POW:ATT 6.6E+01;:DISP:TRAC:Y:RLEV -1E+01", 1)
	at := func(answer string) string { return strings.Replace(answer, ";12;", ";66;", 1) }
	steps := append([]Step{set(first, at(back)), taken(at(status("8;1", -1, -2, -3)))}, attenuated("70", "-5E+00", "8;1")...)
	got, err := open(t, steps...).Sweep(t.Context(), hot)
	if !errors.Is(err, analyzer.ErrOverload) || got.Levels != nil {
		t.Errorf("got %+v, %v", got, err)
	}
}
