package radiounit_test

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"

	"go.uber.org/goleak"

	"benchyard/instruments/dialect"
	"benchyard/instruments/radiounit"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t *testing.T, steps ...Step) *radiounit.RadioUnit {
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return radiounit.New(s, dialect.Standard(radiounit.Role))
}

// n78 is a carrier in the middle of band n78 (TS 38.104, table 5.2-1).
var n78 = radiounit.Carrier{Center: 3.55e9, Bandwidth: 100e6, SCS: 30e3, TestModel: "NR-FR1-TM1.1", Duplex: "TDD", Power: 37}

const (
	configure = `:CARR1:FREQ 3.55E+09;:CARR1:BAND 1E+08;:CARR1:SCSP 3E+04;:CARR1:POW 3.7E+01;:CARR:TMOD "NR-FR1-TM1.1";:CARR:DUPL TDD;:CARR:COUN 1`
	askBack   = ":CARR1:FREQ?;:CARR1:BAND?;:CARR1:SCSP?;:CARR1:POW?;:CARR:TMOD?;:CARR:DUPL?;:CARR:COUN?"
)

func off(answer string) Step { return Confirm(":OUTP OFF", ":OUTP?", answer) }

func TestConfigureAndTransmit(t *testing.T) {
	u := open(t, Answer("*IDN?", Identity), Answer(":SYST:REV?", `"B2"`),
		Command(configure), Answer(askBack, `3550000000;1E8;30000;37.0;"NR-FR1-TM1.1";TDD;1`),
		Command(":OUTP ON"), Answer(":OUTP?", "1"), Answer(":OUTP?", "1"), Answer(":TEMP?", "41.5"), Answer(":ROSC:LOCK?", "1"),
		Answer(":ALAR:COUN?", "2"), off("0"))
	ctx := t.Context()
	id, err := u.Identity(ctx)
	if want := (radiounit.Identity{Maker: "Benchyard", Type: "Script", Serial: "S-1", Build: "1.0", Revision: "B2"}); id != want || err != nil {
		t.Errorf("got %+v, %v", id, err)
	}
	if err := u.Configure(ctx, n78); err != nil {
		t.Fatal(err)
	}
	if err := u.Transmit(ctx); err != nil {
		t.Fatal(err)
	}
	if on, err := u.Transmitting(ctx); !on || err != nil {
		t.Errorf("got %v, %v", on, err)
	}
	if c, err := u.Temperature(ctx); c != 41.5 || err != nil {
		t.Errorf("got %v, %v", c, err)
	}
	if locked, err := u.Locked(ctx); !locked || err != nil {
		t.Errorf("got %v, %v", locked, err)
	}
	if n, err := u.Alarms(ctx); n != 2 || err != nil {
		t.Errorf("got %v, %v", n, err)
	}
	if err := u.Mute(ctx); err != nil {
		t.Error(err)
	}
}

func TestCarriersNobodyCanTransmit(t *testing.T) {
	u := open(t)
	for name, change := range map[string]func(*radiounit.Carrier){
		"no test model": func(c *radiounit.Carrier) { c.TestModel = "" },
		"no duplex":     func(c *radiounit.Carrier) { c.Duplex = "" },
		"no number":     func(c *radiounit.Carrier) { c.Power = rf.DBm(math.NaN()) },
		"endless":       func(c *radiounit.Carrier) { c.Center = rf.Hertz(math.Inf(1)) },
		"two commands":  func(c *radiounit.Carrier) { c.TestModel = `x";:OUTP ON;:CARR:TMOD "x` },
	} {
		c := n78
		change(&c)
		if err := u.Configure(t.Context(), c); err == nil {
			t.Errorf("%s: want an error", name)
		}
	}
}

func TestReadBackDiffers(t *testing.T) {
	for _, answers := range []string{
		`3550000000;1E8;30000;36.9;"NR-FR1-TM1.1";TDD;1`, `3550000000;1E8;30000;37;"NR-FR1-TM2";TDD;1`,
		`3550000000;1E8;30000;37;"NR-FR1-TM1.1";FDD;1`, `3550000001E1;1E8;30000;37;"NR-FR1-TM1.1";TDD;1`,
	} {
		u := open(t, Command(configure), Answer(askBack, answers))
		if err := u.Configure(t.Context(), n78); !errors.Is(err, radiounit.ErrConfiguration) {
			t.Errorf("%s: got %v", answers, err)
		}
	}
}

// Units round what they read back: as far as the dialect says it is the same carrier,
// beyond that it is another, and the error says by how much and who decides.
func TestReadBackIsRounded(t *testing.T) {
	c := n78
	c.Center, c.Power = 3549.99e6, 33.98970004 // 2.5 W
	told := strings.NewReplacer("3.55E+09", "3.54999E+09", "3.7E+01", "3.398970004E+01").Replace(configure)
	for _, tt := range []struct {
		answers, limits, says string
	}{
		{`3549990000;1E8;30000;34.0;"NR-FR1-TM1.1";TDD;1`, "", ""},
		{`3549990010;1E8;30000;33.99;"NR-FR1-TM1.1";TDD;1`, "", ""},
		{`3549990011;1E8;30000;34.0;"NR-FR1-TM1.1";TDD;1`, "", "carrier_frequency answers \"3549990011\" after [\":CARR1:FREQ 3.54999E+09\"], 11 beside it; the frequency_tolerance of its dialect own is 10"},
		{`3549990000;1E8;30000;33.9;"NR-FR1-TM1.1";TDD;1`, "", "the level_tolerance of its dialect own is 0.05"},
		{`3550000000;1E8;30000;33.5;"NR-FR1-TM1.1";TDD;1`, "{frequency_tolerance: 10000, level_tolerance: 0.5}", ""},
		{`3549990000;1E8;30000;34.0;"NR-FR1-TM1.1";TDD;2`, "{frequency_tolerance: 10000, level_tolerance: 0.5}", "carrier_count answers"},
		{`3549990000;1E8;30000;9.91E37;"NR-FR1-TM1.1";TDD;1`, "", "carrier_power answers"},
	} {
		document := "{name: own, role: radio unit, inherits: SCPI-1999}"
		if tt.limits != "" {
			document = strings.TrimSuffix(document, "}") + ", limits: " + tt.limits + "}"
		}
		table, err := dialect.Parse("own.yaml", []byte(document))
		if err != nil {
			t.Fatal(err)
		}
		s, err := scpi.Dial(t.Context(), Serve(t, Greet(), Command(told), Answer(askBack, tt.answers)), scpi.Config{})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		err = radiounit.New(s, table).Configure(t.Context(), c)
		if tt.says == "" && err != nil || tt.says != "" && (!errors.Is(err, radiounit.ErrConfiguration) || !strings.Contains(err.Error(), tt.says)) {
			t.Errorf("%s: %v", tt.answers, err)
		}
	}
}

func TestTransmitterThatDoesNotObey(t *testing.T) {
	u := open(t, Command(":OUTP ON"), Answer(":OUTP?", "0"), off("1"),
		Answer(":OUTP ON;:SYST:ERR?", `-221,"Settings conflict;no supply"`), Answer(":SYST:ERR?", NoError), Answer(":ALAR:COUN?", "1.5"))
	ctx := t.Context()
	if err := u.Transmit(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("transmit: got %v", err)
	}
	if err := u.Mute(ctx); !errors.Is(err, scpi.ErrUnconfirmed) {
		t.Errorf("mute: got %v", err)
	}
	var refused *scpi.Error
	if err := u.Transmit(ctx); !errors.As(err, &refused) || refused.Number != -221 {
		t.Errorf("refused: got %v", err)
	}
	if n, err := u.Alarms(ctx); !errors.Is(err, scpi.ErrAnswer) {
		t.Errorf("alarms: got %v, %v", n, err)
	}
}

func TestLoadBuild(t *testing.T) {
	const ask, load = ":SYST:BUIL?", `:SYST:BUIL "2.5.0"`
	t.Run("runs already", func(t *testing.T) {
		if err := open(t, Answer(ask, `"2.5.0"`)).LoadBuild(t.Context(), "2.5.0"); err != nil {
			t.Error(err)
		}
	})
	t.Run("restarts while loading", func(t *testing.T) {
		u := open(t, Answer(ask, `"2.4.0"`), Command(load), Expect("*OPC?"), Reset(), GreetAs("128", Identity),
			Answer("*OPC?", "1"), Answer(ask, `"2.5.0"`))
		if err := u.LoadBuild(t.Context(), "2.5.0"); err != nil {
			t.Error(err)
		}
	})
	t.Run("restarts before it answers", func(t *testing.T) {
		u := open(t, Answer(ask, `"2.4.0"`), Expect(load+";:SYST:ERR?"), Reset(), GreetAs("128", Identity),
			Answer("*OPC?", "1"), Answer(ask, `"2.5.0"`))
		if err := u.LoadBuild(t.Context(), "2.5.0"); err != nil {
			t.Error(err)
		}
	})
	t.Run("another build runs", func(t *testing.T) {
		u := open(t, Answer(ask, `"2.4.0"`), Command(load), Answer("*OPC?", "1"), Answer(ask, `"2.4.0"`))
		if err := u.LoadBuild(t.Context(), "2.5.0"); !errors.Is(err, radiounit.ErrBuild) {
			t.Errorf("got %v", err)
		}
	})
	t.Run("cancelled", func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		u := open(t, Answer(ask, `"2.4.0"`), Command(load), Expect("*OPC?"), Do(cancel), Gone())
		if err := u.LoadBuild(ctx, "2.5.0"); !errors.Is(err, context.Canceled) {
			t.Errorf("got %v", err)
		}
	})
	t.Run("unknown", func(t *testing.T) {
		u := open(t, Answer(ask, `"2.4.0"`), Answer(load+";:SYST:ERR?", `-224,"Illegal parameter value"`), Answer(":SYST:ERR?", NoError))
		var refused *scpi.Error
		if err := u.LoadBuild(t.Context(), "2.5.0"); !errors.As(err, &refused) {
			t.Errorf("got %v", err)
		}
	})
}

// Several carriers are set one after the other, the first with the settings of
// the unit and the count, and each is read back.
func TestConfigureSeveral(t *testing.T) {
	second := ":CARR2:FREQ 3.65E+09;:CARR2:BAND 4E+07;:CARR2:SCSP 3E+04;:CARR2:POW 3.4E+01"
	ask := ":CARR2:FREQ?;:CARR2:BAND?;:CARR2:SCSP?;:CARR2:POW?"
	first := strings.Replace(strings.Replace(configure, "3.7E+01", "3.4E+01", 1), "COUN 1", "COUN 2", 1)
	for answer, fails := range map[string]bool{"3650000000;4E7;30000;34": false, "3650000000;1E8;30000;34": true} {
		u := open(t,
			Command(first), Answer(askBack, `3550000000;1E8;30000;34;"NR-FR1-TM1.1";TDD;2`),
			Command(second), Answer(ask, answer))
		a := n78
		a.Power = 34
		b := a
		b.Center, b.Bandwidth = 3650e6, 40e6
		if err := u.ConfigureAll(t.Context(), []radiounit.Carrier{a, b}); errors.Is(err, radiounit.ErrConfiguration) != fails || err != nil && !fails {
			t.Errorf("%s: %v", answer, err)
		}
		b.TestModel = "NR-FR1-TM2"
		if u.ConfigureAll(t.Context(), []radiounit.Carrier{a, b}) == nil || u.ConfigureAll(t.Context(), nil) == nil {
			t.Error("carriers with two test models, or none, were sent")
		}
	}
}
