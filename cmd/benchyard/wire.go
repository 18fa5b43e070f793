package main

import (
	"benchyard/jobs"
	"benchyard/jobs/lab"
)

// previewWire is what --format json prints of a submission that was checked.
type previewWire struct {
	Plan             string            `json:"plan"`
	Title            string            `json:"title"`
	PlanHash         string            `json:"plan_hash"`
	Types            []typePreviewWire `json:"types"`
	Units            []unitPreviewWire `json:"units"`
	Cases            int               `json:"cases"`
	EstimatedSeconds float64           `json:"estimated_s"`
	Problems         []string          `json:"problems"`
}

type typePreviewWire struct {
	Type             string            `json:"type"`
	Units            int               `json:"units"`
	Segments         int               `json:"segments"`
	EstimatedSeconds float64           `json:"estimated_s"`
	Cases            []casePreviewWire `json:"cases"`
}

type casePreviewWire struct {
	Key              string  `json:"key"`
	Clause           string  `json:"clause"`
	Band             string  `json:"band"`
	RFChannel        string  `json:"rf_channel"`
	CarrierHz        float64 `json:"carrier_hz"`
	BandwidthHz      float64 `json:"bandwidth_hz"`
	SCSHz            float64 `json:"scs_hz"`
	Connector        int     `json:"connector"`
	TestModel        string  `json:"test_model"`
	Configuration    string  `json:"configuration,omitempty"`
	Sweeps           int     `json:"sweeps"`
	EstimatedSeconds float64 `json:"estimated_s"`
}

type unitPreviewWire struct {
	Serial           string  `json:"serial"`
	Type             string  `json:"type"`
	Bench            string  `json:"bench"`
	Slot             int     `json:"slot"`
	Cases            int     `json:"cases"`
	EstimatedSeconds float64 `json:"estimated_s"`
}

func previewToWire(p jobs.Preview) previewWire {
	w := previewWire{Plan: p.Plan, Title: p.Title, PlanHash: p.PlanHash, Cases: p.Cases, EstimatedSeconds: p.Estimate.Seconds(),
		Types: []typePreviewWire{}, Units: []unitPreviewWire{}, Problems: append([]string{}, p.Problems...)}
	for _, t := range p.Types {
		tw := typePreviewWire{Type: t.Type, Units: t.Units, Segments: t.Segments, EstimatedSeconds: t.Estimate.Seconds(), Cases: []casePreviewWire{}}
		for _, c := range t.Cases {
			tw.Cases = append(tw.Cases, casePreviewWire{c.Key, c.Clause, c.Band, c.RFChannel, c.CarrierHz, c.BandwidthHz, c.SCSHz,
				c.Connector, c.TestModel, c.Configuration, c.Sweeps, c.Estimate.Seconds()})
		}
		w.Types = append(w.Types, tw)
	}
	for _, u := range p.Units {
		w.Units = append(w.Units, unitPreviewWire{u.Serial, u.Type, u.Bench, u.Slot, u.Cases, u.Estimate.Seconds()})
	}
	return w
}

// labWire is what --format json prints of an inventory: what stands where.
// Correction tables are left to the document itself.
type labWire struct {
	Lab         string           `json:"lab"`
	Version     int64            `json:"version"`
	Simulated   bool             `json:"simulated"`
	Builds      []string         `json:"builds"`
	Instruments []instrumentWire `json:"instruments"`
	RadioUnits  []radioUnitWire  `json:"radio_units"`
	Paths       []pathWire       `json:"paths"`
}

type instrumentWire struct {
	Name           string `json:"name"`
	Role           string `json:"role"`
	Bench          string `json:"bench"` // empty: on no bench
	Resource       string `json:"resource"`
	Identity       string `json:"identity"`
	Certificate    string `json:"certificate"`
	CalibrationDue string `json:"calibration_due"` // empty: never
}

type radioUnitWire struct {
	Serial   string `json:"serial"`
	Type     string `json:"type"`
	Revision string `json:"revision"`
	Bench    string `json:"bench"` // empty: on the shelf
	Slot     int    `json:"slot"`
	Mount    string `json:"mount"` // "by hand", or empty
	Resource string `json:"resource"`
}

type pathWire struct {
	Bench      string `json:"bench"`
	Slot       int    `json:"slot"`
	Connector  int    `json:"connector"`
	Route      string `json:"route"`
	ValidUntil string `json:"valid_until"`
}

func labToWire(l *lab.Lab, version int64) labWire {
	w := labWire{Lab: l.Name, Version: version, Simulated: l.Simulated, Builds: append([]string{}, l.Builds...),
		Instruments: []instrumentWire{}, RadioUnits: []radioUnitWire{}, Paths: []pathWire{}}
	bench := make(map[string]string)
	for _, b := range l.Benches {
		for _, i := range l.InstrumentsOn(b) {
			bench[i.Name] = b.Name
		}
	}
	for _, i := range l.Instruments {
		w.Instruments = append(w.Instruments, instrumentWire{i.Name, i.Role, bench[i.Name], i.Resource, i.Identity, i.Certificate, i.CalibrationDue.String()})
	}
	for _, u := range l.Units {
		w.RadioUnits = append(w.RadioUnits, radioUnitWire{u.Serial, u.Type, u.Revision, u.Bench, u.Slot, u.Mount, u.Resource})
	}
	for _, p := range l.Paths {
		w.Paths = append(w.Paths, pathWire{p.Bench, p.Slot, p.Connector, p.Route, p.ValidUntil.String()})
	}
	return w
}
