package results

import (
	"encoding/json"
	"fmt"
	"time"

	"benchyard/instruments/rf"
)

// sweepRecord is an rf.Sweep as the store keeps it, with units in the names.
type sweepRecord struct {
	StartHz        float64     `json:"start_hz"`
	StopHz         float64     `json:"stop_hz"`
	RBWHz          float64     `json:"rbw_hz"`
	VBWHz          float64     `json:"vbw_hz,omitempty"`
	Points         int         `json:"points"`
	SweepTimeNs    int64       `json:"sweep_time_ns,omitempty"`
	Averages       int         `json:"averages,omitempty"`
	AttenuationDB  float64     `json:"attenuation_db"`
	ReferenceLevel float64     `json:"reference_level_dbm"`
	Gate           *gateRecord `json:"gate,omitempty"`
}

type gateRecord struct {
	DelayNs  int64 `json:"delay_ns"`
	LengthNs int64 `json:"length_ns"`
	PeriodNs int64 `json:"period_ns"`
}

func encodeSweep(s rf.Sweep) ([]byte, error) {
	record := sweepRecord{
		StartHz: float64(s.Start), StopHz: float64(s.Stop), RBWHz: float64(s.RBW), VBWHz: float64(s.VBW),
		Points: s.Points, SweepTimeNs: int64(s.SweepTime), Averages: s.Averages,
		AttenuationDB: float64(s.Attenuation), ReferenceLevel: float64(s.ReferenceLevel),
	}
	if s.Gate != nil {
		record.Gate = &gateRecord{DelayNs: int64(s.Gate.Delay), LengthNs: int64(s.Gate.Length), PeriodNs: int64(s.Gate.Period)}
	}
	text, err := json.Marshal(record)
	if err != nil {
		return nil, fmt.Errorf("results: settings of a sweep: %w", err)
	}
	return text, nil
}

func decodeSweep(text []byte) (rf.Sweep, error) {
	var record sweepRecord
	if err := json.Unmarshal(text, &record); err != nil {
		return rf.Sweep{}, fmt.Errorf("results: settings of a stored sweep: %w", err)
	}
	s := rf.Sweep{
		Start: rf.Hertz(record.StartHz), Stop: rf.Hertz(record.StopHz), RBW: rf.Hertz(record.RBWHz), VBW: rf.Hertz(record.VBWHz),
		Points: record.Points, SweepTime: time.Duration(record.SweepTimeNs), Averages: record.Averages,
		Attenuation: rf.DB(record.AttenuationDB), ReferenceLevel: rf.DBm(record.ReferenceLevel),
	}
	if g := record.Gate; g != nil {
		s.Gate = &rf.Gate{Delay: time.Duration(g.DelayNs), Length: time.Duration(g.LengthNs), Period: time.Duration(g.PeriodNs)}
	}
	return s, nil
}
