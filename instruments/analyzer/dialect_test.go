package analyzer_test

import (
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/analyzer"
	"benchyard/instruments/dialect"
	"benchyard/instruments/rf"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

// north is the driver in the words of testdata/dialects/good/north-analyzer.yaml.
func north(t *testing.T, steps ...Step) *analyzer.Analyzer {
	const file = "../../testdata/dialects/good/north-analyzer.yaml"
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	table, err := dialect.Parse(file, text)
	if err != nil {
		t.Fatal(err)
	}
	s, err := scpi.Dial(t.Context(), Serve(t, append([]Step{Greet()}, steps...)...), scpi.Config{MaxMessage: 1000})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return analyzer.New(s, table)
}

func TestASweepInOtherWords(t *testing.T) {
	const relied = ":SWEep:STARt?;:SWEep:STOP?;:SWE:POIN?;:POW:ATT?;:BAND?"
	const back = "1000;1.01E3;3;15;100000" // MHz; 11 dB becomes the next step of 5 dB
	a := north(t,
		Answer(":POW:ATT 1.5E+01;:DISP:TRAC:Y:RLEV -1E+01;:SWEep:STARt 1000.000000;:SWEep:STOP 1010.000000;:BAND 1E+05;:BAND:VID 3E+05;"+
			":SWE:POIN 3;:SWEep:AUTO 0;:SWEep:TIME 2.5E+02;:AVER OFF;:SYST:ERR?;"+relied+";:SWEep:TIME?", NoError+";"+back+";250"),
		Answer(":ABOR;:INIT;*OPC?", "1"),
		Answer(":INPut:STATe?;:STATus:QUEStionable:FREQuency:CONDition?;:SYST:ERR?;"+relied+";:TRACe? 1", "GOOD;2;"+NoError+";"+back+";-10,-20.5,-3E1"))
	s := sweep
	s.SweepTime = 250 * time.Millisecond
	got, err := a.Sweep(t.Context(), s)
	if err != nil || !slices.Equal(got.Levels, []float64{-10, -20.5, -30}) || got.Attenuation != 15 || got.Step != 5e6 {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestAGateTheAnalyzerDoesNotHave(t *testing.T) {
	s := sweep
	s.Gate = &rf.Gate{Length: time.Millisecond, Period: 5 * time.Millisecond}
	if _, err := north(t).Sweep(t.Context(), s); !errors.Is(err, dialect.ErrUnsupported) || !strings.Contains(err.Error(), "gate_on of north-analyzer") {
		t.Errorf("got %v", err)
	}
}
