package server

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/instruments/rf"
	"benchyard/jobs"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/plan"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

// measuredWith is what a case was measured with, brought back from the inventory
// version of its campaign: declaration, carrier and signal path. With it the
// stored traces give the judged levels again, and the limits their full masks.
type measuredWith struct {
	setup        procedure.Setup
	requirements []conformance.Requirement
	known        bool
	missing      string // why it could not be brought back, for people; empty when it was
}

// errNoContext is wrapped where the inventory does not hold what a case needs.
var errNoContext = errors.New("server: the inventory does not say what the case was measured with")

func (v *inventories) measuredWith(ctx context.Context, pool *pgxpool.Pool, c results.StoredCase, run api.Run) (measuredWith, error) {
	id, err := uuid.Parse(run.ID)
	if err != nil {
		return measuredWith{}, err
	}
	var version int64
	var limitSet, document string
	err = pool.QueryRow(ctx, `SELECT coalesce(r.lab_id, c.lab_id), c.limit_set, p.document
		FROM run r JOIN campaign c ON c.id = r.campaign_id JOIN plan_version p ON p.id = c.plan_id WHERE r.id = $1`, id).
		Scan(&version, &limitSet, &document)
	if err != nil {
		return measuredWith{}, fmt.Errorf("server: inventory version of run %s: %w", id, err)
	}
	inventory, err := v.version(ctx, pool, version)
	if err != nil {
		return measuredWith{}, err
	}
	m, err := recall(inventory, c, run.Serial, document)
	if err != nil {
		return measuredWith{missing: "Masks and corrected levels cannot be shown: " + err.Error() + "."}, nil
	}
	if now := conformance.LimitSet(); now != limitSet {
		m.missing = fmt.Sprintf("The masks drawn are those of %s; the figures were judged by %s.", now, limitSet)
	}
	return m, nil
}

// recall finds declaration, carrier and path of a case in an inventory.
func recall(inventory *lab.Lab, c results.StoredCase, serial, document string) (measuredWith, error) {
	unit, ok := inventory.Unit(serial)
	if !ok {
		return measuredWith{}, fmt.Errorf("%w: no radio unit %s", errNoContext, serial)
	}
	kind, ok := inventory.Type(unit.Type)
	if !ok {
		return measuredWith{}, fmt.Errorf("%w: no radio unit type %s", errNoContext, unit.Type)
	}
	path, ok := inventory.PathFor(unit.Bench, unit.Slot, c.Connector)
	if !ok {
		return measuredWith{}, fmt.Errorf("%w: no path for %s slot %d connector %d", errNoContext, unit.Bench, unit.Slot, c.Connector)
	}
	carrier, err := conformance.Place(c.Band, c.RFChannel, rf.Hertz(c.BandwidthHz), rf.Hertz(c.SCSHz))
	if err != nil {
		return measuredWith{}, err
	}
	if len(c.Carriers) > 0 {
		carrier = c.Carriers[0]
	}
	subject := conformance.Subject{Carrier: carrier, Carriers: c.Carriers, Declaration: jobs.DeclarationOf(kind)}
	setup := procedure.Setup{Subject: subject, Correction: path.Correction}
	if conformance.IsHealth(c.Clause) {
		if setup.Health, setup.PlanName, err = healthOf(document, c); err != nil {
			return measuredWith{}, err
		}
	}
	requirements, err := setup.Requirements(c.Clause)
	if err != nil {
		return measuredWith{}, err
	}
	return measuredWith{known: true, requirements: requirements, setup: setup}, nil
}

// healthOf finds in a stored plan what a case of the transceiver health test was
// to measure.
func healthOf(document string, c results.StoredCase) (*conformance.Health, string, error) {
	p, err := plan.Parse("stored plan", []byte(document))
	if err != nil {
		return nil, "", err
	}
	for _, t := range p.Tests {
		if t.Clause == c.Clause && slices.Contains(t.RFChannels, c.RFChannel) && slices.Contains(t.TestModels, c.TestModel) &&
			(t.Connectors == nil || slices.Contains(t.Connectors, c.Connector)) {
			return t.Health, p.Name, nil
		}
	}
	return nil, "", fmt.Errorf("%w: the plan has no such test", errNoContext)
}

// atConnector raises a trace to the connector; false leaves it as it was read,
// because the path is not known or does not cover it.
func (m measuredWith) atConnector(t rf.Spectrum) (rf.Spectrum, bool) {
	if !m.known {
		return t, false
	}
	corrected, err := m.setup.Correction.Apply(t)
	if err != nil {
		return t, false
	}
	return corrected, true
}

// series gives the levels over frequency that were judged, once more from the
// stored traces. Single figures have none.
func (m measuredWith) series(clause string, traces []results.Trace) ([]api.Series, error) {
	list := []api.Series{}
	if !m.known || len(traces) == 0 || lostIn(traces) != nil {
		return list, nil
	}
	readings, err := procedure.Analyze(clause, m.setup, takenTraces(traces))
	if err != nil {
		return nil, err
	}
	bandwidths := map[string]float64{}
	for _, r := range m.requirements {
		bandwidths[r.Key] = float64(r.MeasurementBandwidth)
	}
	for _, r := range readings {
		if r.Series != nil {
			list = append(list, api.Series{
				Key: r.Key, MeasurementBandwidthHz: bandwidths[r.Key], FrequenciesHz: r.Series.Frequencies, LevelsDBm: r.Series.Levels,
			})
		}
	}
	return list, nil
}
