package analyzer

import (
	"fmt"
	"time"

	"benchyard/instruments/scpi"
)

// Dialect holds the commands of one family of analyzers. %s stands for a number
// in base units.
type Dialect struct {
	Reset, Abort string
	Prepare      []string // after a preset

	Start, Stop, RBW, VBW, Points, Attenuation, ReferenceLevel string
	SweepTime, CoupleSweepTime, FixSweepTime                   string
	AverageOn, AverageOff, AverageCount                        string
	GateOn, GateOff, GateDelay, GateLength                     string
	TriggerExternal, TriggerImmediate                          string
	Initiate                                                   string

	AskStart, AskStop, AskRBW, AskPoints, AskAttenuation, AskSweepTime string
	AskOverload, AskLocked, AskTrace                                   string
	OverloadBit                                                        int // in the answer to AskOverload
}

// standard is the dialect of SCPI-1999 (vol. 2: SENSe, TRIGger, TRACe, FORMat),
// with the usual spellings where the standard has none: gate, RF attenuation.
var standard = Dialect{
	Reset: "*RST", Abort: ":ABOR",
	Prepare: []string{":INIT:CONT OFF", ":DET RMS", ":AVER:TYPE RMS", ":FORM REAL,32", ":FORM:BORD NORM", ":ROSC:SOUR EXT"},

	Start: ":FREQ:STAR %s", Stop: ":FREQ:STOP %s", RBW: ":BAND %s", VBW: ":BAND:VID %s", Points: ":SWE:POIN %s",
	Attenuation: ":POW:ATT %s", ReferenceLevel: ":DISP:TRAC:Y:RLEV %s",
	SweepTime: ":SWE:TIME %s", CoupleSweepTime: ":SWE:TIME:AUTO ON", FixSweepTime: ":SWE:TIME:AUTO OFF",
	AverageOn: ":AVER ON", AverageOff: ":AVER OFF", AverageCount: ":AVER:COUN %s",
	GateOn: ":SWE:EGAT ON", GateOff: ":SWE:EGAT OFF", GateDelay: ":SWE:EGAT:DEL %s", GateLength: ":SWE:EGAT:LENG %s",
	TriggerExternal: ":TRIG:SOUR EXT", TriggerImmediate: ":TRIG:SOUR IMM",
	Initiate: ":INIT",

	AskStart: ":FREQ:STAR?", AskStop: ":FREQ:STOP?", AskRBW: ":BAND?", AskPoints: ":SWE:POIN?",
	AskAttenuation: ":POW:ATT?", AskSweepTime: ":SWE:TIME?",
	AskOverload: ":STAT:QUES:COND?", AskLocked: ":ROSC:LOCK?", AskTrace: ":TRAC? TRACE1",
	OverloadBit: 3, // STATus:QUEStionable bit 3, POWer (vol. 2, ch. 20)
}

var standardLimits = Limits{
	MaxPoints: 40001, MaxAttenuation: 70, AttenuationStep: 2, PresetTime: 30 * time.Second, LockTime: 5 * time.Second,
}

// full returns the command for the greatest attenuation.
func (d Dialect) full(l Limits) string {
	return fmt.Sprintf(d.Attenuation, scpi.FormatNumber(float64(l.MaxAttenuation)))
}
