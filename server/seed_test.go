package server

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/instruments/rf"
	"benchyard/jobs/conformance"
	"benchyard/jobs/lab"
	"benchyard/jobs/postgres"
	"benchyard/jobs/procedure"
	"benchyard/jobs/results"
)

// seeded is a small lab in a database: an older campaign that is done and a
// newer one with a failed, an erroneous, a running and a waiting unit.
type seeded struct {
	pool         *pgxpool.Pool
	old, new     uuid.UUID            // campaigns, builds 2.4.0 and 2.5.0
	runs         map[string]uuid.UUID // by "build serial"
	inventory    *lab.Lab
	labID, plan  int64
	rng          *rand.Rand
	distinctTime time.Time
}

// defect is what a synthetic unit has wrong with it.
type defect struct {
	shoulder float64 // dB added to the regrowth beside the carrier
	power    float64 // dB added to the carrier
	spur     rf.Hertz
}

// seed fills a database. Its traces are closed forms with noise of a fixed
// seed; figures and verdicts come from the real procedures and limits.
func seed(t *testing.T) *seeded {
	t.Helper()
	s := &seeded{
		pool: postgres.Test(t), runs: map[string]uuid.UUID{}, rng: rand.New(rand.NewPCG(7, 11)),
		distinctTime: time.Now().Add(-time.Hour),
	}
	ctx := t.Context()
	id, _, err := lab.Apply(ctx, s.pool, "lab.yaml", []byte(inventoryDocument()), "ann")
	if err != nil {
		t.Fatal(err)
	}
	s.labID = id
	if s.inventory, _, err = lab.Load(ctx, s.pool, id); err != nil {
		t.Fatal(err)
	}
	err = s.pool.QueryRow(ctx, `INSERT INTO plan_version (name, content_hash, document, created_by)
		VALUES ('transmitter', '5f0c2c1e6a7b8d9e', 'plan: transmitter', 'ann') RETURNING id`).Scan(&s.plan)
	if err != nil {
		t.Fatal(err)
	}
	s.old = s.campaign(t, "night 2.4.0", "2.4.0")
	for _, serial := range []string{"T4-0001", "T4-0002", "F2-0001"} {
		s.measure(t, s.old, "2.4.0", serial, defect{}, true)
	}
	s.new = s.campaign(t, "night 2.5.0", "2.5.0")
	s.measure(t, s.new, "2.5.0", "T4-0001", defect{}, true)
	s.measure(t, s.new, "2.5.0", "T4-0002", defect{shoulder: 14, spur: 2.1e9}, true)
	s.failToMeasure(t, "F2-0001")
	s.measure(t, s.new, "2.5.0", "T4-0003", defect{}, false)
	s.run(t, s.new, "2.5.0", "F2-0002", "queued")
	s.exec(t, `UPDATE bench SET activity = 'measuring', doing = 'case 4 of 48: 6.6.4 n78 100 MHz T, connector 1' WHERE name = 'bench-1'`)
	s.exec(t, `UPDATE bench SET activity = 'alarm', alarm = 'the transmitter of F2-0001 could not be confirmed off: no answer from TCPIP::192.0.2.9::5025::SOCKET',
		hold_reason = 'waiting for a look at slot 1' WHERE name = 'bench-2'`)
	s.exec(t, `INSERT INTO bench_lease (bench, token, holder, expires_at) SELECT name, 3, 'lab-pc-1', now() + interval '1 hour' FROM bench`)
	return s
}

func (s *seeded) exec(t *testing.T, sql string, args ...any) {
	t.Helper()
	if _, err := s.pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

func (s *seeded) campaign(t *testing.T, name, build string) uuid.UUID {
	t.Helper()
	id := uuid.Must(uuid.NewV7())
	s.exec(t, `UPDATE build SET created_at = now() WHERE name = $1`, build)
	s.exec(t, `INSERT INTO campaign (id, name, plan_id, lab_id, build, simulated, limit_set, requested_by) VALUES ($1, $2, $3, $4, $5, true, $6, 'ann')`,
		id, name, s.plan, s.labID, build, conformance.LimitSet())
	return id
}

func (s *seeded) run(t *testing.T, campaign uuid.UUID, build, serial, state string) uuid.UUID {
	t.Helper()
	unit, _ := s.inventory.Unit(serial)
	id := uuid.Must(uuid.NewV7())
	s.exec(t, `INSERT INTO run (id, campaign_id, serial, unit_type, state, bench, cases, estimate_s, program_version, instruments, started_at, finished_at)
		VALUES ($1, $2, $3, $4, $5, $6, 5, 60, 'v0-test', jsonb_build_object(replace($6, 'bench', 'analyzer'), '{"identity": "ACME,SA-26,1001,1.0", "certificate": "C-1001"}'::jsonb), now(),
		CASE WHEN $5 IN ('done', 'error') THEN now() END)`, id, campaign, serial, unit.Type, state, unit.Bench)
	s.exec(t, `INSERT INTO run_segment (run_id, number, title, cases, state) VALUES ($1, 1, $2, 5, $3)`,
		id, "n78 T 3.75 GHz, NR-FR1-TM1.1, connector 1", map[string]string{"queued": "pending", "active": "running"}[state]+map[bool]string{true: "done"}[state == "done" || state == "error"])
	s.runs[build+" "+serial] = id
	return id
}

// measure stores a run with its five cases; an unfinished one has three.
func (s *seeded) measure(t *testing.T, campaign uuid.UUID, build, serial string, d defect, finished bool) {
	t.Helper()
	state, clauses := "done", conformance.Clauses()
	if !finished {
		state, clauses = "active", clauses[:3]
	}
	id := s.run(t, campaign, build, serial, state)
	cases := make([]results.Case, len(clauses))
	for i, clause := range clauses {
		cases[i] = s.measuredCase(t, serial, clause, i+1, d)
	}
	err := pgx.BeginFunc(t.Context(), s.pool, func(tx pgx.Tx) error {
		if err := results.InsertCases(t.Context(), tx, id, 1, cases); err != nil || !finished {
			return err
		}
		_, err := results.CloseRun(t.Context(), tx, id)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// failToMeasure stores a run that ended in an error after its first case.
func (s *seeded) failToMeasure(t *testing.T, serial string) {
	t.Helper()
	id := s.run(t, s.new, "2.5.0", serial, "error")
	broken := s.measuredCase(t, serial, conformance.OutputPowerClause, 1, defect{})
	broken.Results, broken.Traces, broken.Verdict = nil, nil, conformance.ErrorVerdict
	broken.Error = `sweep "carrier": no answer within 5 s from TCPIP::192.0.2.7::5025::SOCKET; check that the analyzer is switched on`
	err := pgx.BeginFunc(t.Context(), s.pool, func(tx pgx.Tx) error {
		return results.InsertCases(t.Context(), tx, id, 1, []results.Case{broken})
	})
	if err != nil {
		t.Fatal(err)
	}
	s.exec(t, `UPDATE run SET error = 'the analyzer did not answer', verdict = 'error' WHERE id = $1`, id)
}

func (s *seeded) measuredCase(t *testing.T, serial, clause string, position int, d defect) results.Case {
	t.Helper()
	setup, carrier := s.setup(t, serial)
	planned, err := procedure.Plan(clause, setup)
	if err != nil {
		t.Fatal(err)
	}
	traces, err := procedure.Acquire(t.Context(), closedForm{setup, d, s.rng}, planned)
	if err != nil {
		t.Fatal(err)
	}
	readings, err := procedure.Analyze(clause, setup, traces)
	if err != nil {
		t.Fatal(err)
	}
	requirements, err := conformance.Requirements(setup.Subject, clause)
	if err != nil {
		t.Fatal(err)
	}
	judged, err := conformance.Judge(requirements, readings, conformance.DecisionRule{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range judged {
		judged[i].Correction = setup.LossAt(judged[i])
	}
	s.distinctTime = s.distinctTime.Add(time.Second)
	c := results.Case{
		Key: fmt.Sprintf("%s/%s/T/1", clause, carrier.Band), Position: position, Clause: clause, Band: carrier.Band, RFChannel: carrier.Channel,
		CarrierHz: float64(carrier.Center), BandwidthHz: float64(carrier.Bandwidth), SCSHz: float64(carrier.SCS), Connector: 1,
		TestModel: "NR-FR1-TM1.1", MeasuredAt: s.distinctTime, Duration: 1400 * time.Millisecond, Results: judged,
	}
	for _, tr := range traces {
		c.Traces = append(c.Traces, results.Trace{Role: tr.Role, Sweep: tr.Sweep, Spectrum: tr.Spectrum})
	}
	return c
}

func (s *seeded) setup(t *testing.T, serial string) (procedure.Setup, conformance.Carrier) {
	t.Helper()
	unit, _ := s.inventory.Unit(serial)
	kind, _ := s.inventory.Type(unit.Type)
	path, _ := s.inventory.PathFor(unit.Bench, unit.Slot, 1)
	supported := kind.Carriers[0]
	carrier, err := conformance.Place(supported.Band, conformance.Top, supported.Bandwidths[0], supported.SCS[0])
	if err != nil {
		t.Fatal(err)
	}
	return procedure.Setup{Correction: path.Correction, Attenuation: 20, ReferenceLevel: 10, Subject: conformance.Subject{
		Carrier: carrier, Declaration: conformance.Declaration{
			Class: conformance.Class(kind.Class), Category: kind.Category, Type: conformance.Type(kind.Type), RatedPower: kind.RatedPower,
		}}}, carrier
}

// closedForm answers sweeps with a flat carrier, regrowth beside it, a noise
// floor and at most one line.
type closedForm struct {
	setup procedure.Setup
	defect
	rng *rand.Rand
}

func (f closedForm) Sweep(_ context.Context, sweep rf.Sweep) (rf.Spectrum, error) {
	const noiseFactor = 1.0645 // Gaussian filter
	s := rf.Spectrum{
		Start: sweep.Start, Step: (sweep.Stop - sweep.Start) / rf.Hertz(sweep.Points-1), RBW: sweep.RBW,
		NoiseBandwidth: noiseFactor * sweep.RBW, Levels: make([]float64, sweep.Points),
	}
	for i := range s.Levels {
		at := s.Frequency(i)
		loss, _, err := f.setup.Correction.At(at)
		if err != nil {
			return s, err
		}
		mw := f.density(at) * float64(s.NoiseBandwidth)
		if x := float64((at - f.spur) / sweep.RBW); f.spur != 0 && math.Abs(x) < 4 {
			mw += math.Pow(10, -1.0) * math.Exp2(-4*x*x) // -10 dBm through a Gaussian filter
		}
		s.Levels[i] = 10*math.Log10(mw) - float64(loss) + 0.15*f.rng.NormFloat64()
	}
	return s, nil
}

// density is the power density at the connector, mW/Hz.
func (f closedForm) density(at rf.Hertz) float64 {
	c := f.setup.Subject.Carrier
	inside := math.Pow(10, (float64(f.setup.Subject.RatedPower)+f.power)/10) / float64(c.Configured())
	off := math.Abs(float64(at-c.Center)) - float64(c.Configured())/2
	const floor = 1e-16 // -100 dBm/MHz
	if off <= 0 {
		return inside
	}
	regrowth := -49 + f.shoulder - 14*off/float64(c.Bandwidth)
	return floor + inside*math.Pow(10, regrowth/10)
}

// inventoryDocument is a lab of three benches and six units.
func inventoryDocument() string {
	var b strings.Builder
	b.WriteString("lab: model lab\nsimulated: true\nbuilds: [\"2.4.0\", \"2.5.0\"]\ninstruments:\n")
	port := 6000
	for bench := 1; bench <= 3; bench++ {
		for _, role := range []string{"analyzer", "generator", "supply", "switcher"} {
			port++
			fmt.Fprintf(&b, "  - {name: %s-%d, role: %s, resource: \"TCPIP::127.0.0.1::%d::SOCKET\", identity: \"ACME,%s\"", role, bench, role, port, role)
			if role == "analyzer" {
				b.WriteString(", certificate: C-1, calibration_due: 2099-03-31, max_input: 30dBm, noise_factor: 1.0645, frequency: {low: 9kHz, high: 26.5GHz}")
			}
			if role == "generator" {
				b.WriteString(", certificate: C-2, calibration_due: 2098-06-30")
			}
			b.WriteString("}\n")
		}
	}
	b.WriteString("benches:\n")
	for bench := 1; bench <= 3; bench++ {
		fmt.Fprintf(&b, "  - {name: bench-%d, analyzer: analyzer-%d, generator: generator-%d, supply: supply-%d, switcher: switcher-%d, slots: 8, supply_volts: 48, supply_amps: 12, idle_supply: keep}\n", bench, bench, bench, bench, bench)
	}
	b.WriteString("paths:\n")
	for _, slot := range []struct{ bench, slot, connectors int }{{1, 1, 4}, {1, 2, 4}, {1, 3, 4}, {2, 1, 2}, {2, 2, 2}, {3, 1, 4}} {
		for connector := 1; connector <= slot.connectors; connector++ {
			fmt.Fprintf(&b, "  - {bench: bench-%d, slot: %d, connector: %d, route: \"(@%d)\", valid_until: 2097-01-31, correction: [{frequency: 9kHz, loss: 40dB, uncertainty: 0.2dB}, {frequency: 26.5GHz, loss: 44dB, uncertainty: 0.4dB}]}\n",
				slot.bench, slot.slot, connector, 100*slot.slot+connector)
		}
	}
	b.WriteString(`radio_unit_types:
  - {name: RU-T4, maker: own, connectors: 4, class: medium-range, category: A, type: 1-C, rated_power: 37dBm, transmit_units: 4, carriers: [{band: n78, bandwidths: [100MHz], scs: [30kHz]}]}
  - {name: RU-F2, maker: own, connectors: 2, class: wide-area, category: A, type: 1-C, rated_power: 46dBm, transmit_units: 2, carriers: [{band: n1, bandwidths: [20MHz], scs: [15kHz]}]}
radio_units:
`)
	for i, u := range []struct {
		serial, kind string
		bench, slot  int
	}{{"T4-0001", "RU-T4", 1, 1}, {"T4-0002", "RU-T4", 1, 2}, {"T4-0003", "RU-T4", 1, 3}, {"F2-0001", "RU-F2", 2, 1}, {"F2-0002", "RU-F2", 2, 2}, {"T4-0004", "RU-T4", 3, 1}} {
		fmt.Fprintf(&b, "  - {serial: %s, type: %s, revision: B, bench: bench-%d, slot: %d, resource: \"TCPIP::127.0.0.1::%d::SOCKET\"}\n", u.serial, u.kind, u.bench, u.slot, 7000+i)
	}
	return b.String()
}
