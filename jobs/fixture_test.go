package jobs

import (
	"fmt"
	"testing"

	"github.com/google/uuid"
)

// queueFixture is a queue written straight into the tables: one campaign of
// priority 100 with a run of two segments, three cases each, per serial.
type queueFixture struct {
	db       DB
	campaign uuid.UUID
	runs     map[string]uuid.UUID // by serial
}

func newID(t *testing.T) uuid.UUID {
	t.Helper()
	id, err := uuid.NewV7()
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func mustExec(t testing.TB, db DB, sql string, args ...any) {
	t.Helper()
	if _, err := db.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

func newQueueFixture(t *testing.T, db DB, bench string, serials ...string) *queueFixture {
	t.Helper()
	f := &queueFixture{db: db, campaign: newID(t), runs: map[string]uuid.UUID{}}
	mustExec(t, db, `INSERT INTO lab_version (name, simulated, content_hash, document, applied_by) SELECT 'lab', true, 'l', '', 'ann' WHERE NOT EXISTS (SELECT 1 FROM lab_version)`)
	mustExec(t, db, `INSERT INTO plan_version (name, content_hash, document, created_by) VALUES ('short', 'p', '', 'ann') ON CONFLICT DO NOTHING`)
	mustExec(t, db, `INSERT INTO build (name) VALUES ('2.4.0') ON CONFLICT DO NOTHING`)
	mustExec(t, db, `INSERT INTO bench (name) VALUES ($1) ON CONFLICT DO NOTHING`, bench)
	mustExec(t, db, `INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by)
		SELECT $1, 'night', p.id, l.id, '2.4.0', true, 'limits 1', 'ann' FROM plan_version p, (SELECT max(id) AS id FROM lab_version) l`, f.campaign)
	for _, serial := range serials {
		id := newID(t)
		f.runs[serial] = id
		mustExec(t, db, `INSERT INTO radio_unit (serial, type, revision) VALUES ($1, 'RU-T4', 'A') ON CONFLICT DO NOTHING`, serial)
		mustExec(t, db, `INSERT INTO run (id, campaign_id, serial, unit_type, bench, cases, estimate_s) VALUES ($1, $2, $3, 'RU-T4', $4, 6, 60)`,
			id, f.campaign, serial, bench)
		mustExec(t, db, `INSERT INTO run_segment (run_id, number, title, cases) VALUES ($1, 1, 'one', 3), ($1, 2, 'two', 3)`, id)
	}
	return f
}

// measured stores a bare case of the run with one figure.
func (f *queueFixture) measured(t *testing.T, serial string, segment, position int, verdict string, margin float64) {
	t.Helper()
	var id int64
	err := f.db.QueryRow(t.Context(), `
		INSERT INTO measured_case (run_id, segment, position, case_key, clause, band, rf_channel, carrier_hz, bandwidth_hz, scs_hz,
		                           connector, test_model, verdict, measured_at)
		VALUES ($1, $2, $3, $4, '6.2', 'n78', 'M', 3.5e9, 1e8, 3e4, 1, 'NR-FR1-TM1.1', $5, now()) RETURNING id`,
		f.runs[serial], segment, position, fmt.Sprint(position), verdict).Scan(&id)
	if err != nil {
		t.Fatal(err)
	}
	mustExec(t, f.db, `INSERT INTO measurement (case_id, requirement_key, clause, title, quantity, value, unit, margin, core, tolerance,
		verdict, rule, source, provenance) VALUES ($1, '6.2', '6.2', 'power', 'output power', 37, 'dB', $2, 2, 0.7, $3, 'shared-risk', 's', 'spec')`,
		id, margin, verdict)
}
