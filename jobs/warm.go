package jobs

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"benchyard/instruments/radiounit"

	"github.com/jackc/pgx/v5"
)

// warmth is what a unit told when it was found warm, kept with its run: when the run
// goes on after an interruption, nobody waits again for a unit that has stayed up.
type warmth struct {
	Serial  string    `json:"serial"`
	Uptime  float64   `json:"uptime_s"` // by the clock of the unit, seconds
	Celsius float64   `json:"celsius"`
	At      time.Time `json:"at"` // by the clock of the database
}

// cooled is by how many kelvins a unit may be colder than it was when it was warm;
// common practice, without a source.
const cooled = 2.0

// clockSlack is how far the clock of a unit may run behind that of the database.
const clockSlack = 2 * time.Second

// askWarmth asks a unit for what stays true of it only while it is up; false where it
// has no clock or no thermometer.
func askWarmth(ctx context.Context, u *radiounit.RadioUnit) (w warmth, known bool, err error) {
	if !u.Has(radiounit.Clock) || !u.Has(radiounit.Thermometer) {
		return w, false, nil
	}
	up, err := u.Uptime(ctx)
	if err == nil {
		w.Uptime = up.Seconds()
		w.Celsius, err = u.Temperature(ctx)
	}
	return w, err == nil, err
}

// same reports whether the unit has been up since, and is as warm as then; elapsed is
// by the clock of the database. A unit that was restarted has run for less than that.
func (w warmth) same(now warmth, elapsed time.Duration) bool {
	slack := max(clockSlack, elapsed/100)
	return now.Uptime >= w.Uptime && time.Duration((now.Uptime-w.Uptime)*float64(time.Second)) >= elapsed-slack &&
		now.Celsius >= w.Celsius-cooled
}

// rememberWarm keeps with the run that its unit is warm. It is no more than a way to
// save time: what goes wrong costs another warm-up.
func (t *tenure) rememberWarm(ctx context.Context, s *segment, u *radiounit.RadioUnit) {
	w, known, err := askWarmth(ctx, u)
	if err == nil && known {
		w.Serial = s.mount.unit.Serial
		err = t.fencedRun(ctx, s.run, func(tx pgx.Tx) error {
			_, err := tx.Exec(ctx, `UPDATE run SET warm = $2::jsonb || jsonb_build_object('at', clock_timestamp()) WHERE id = $1`, s.run, w)
			return err
		})
	}
	if err != nil && ctx.Err() == nil {
		t.log.WarnContext(ctx, "that the unit is warm is not kept", "run", s.run, "error", err)
	}
}

// stillWarm reports whether the unit has stayed up and warm since it was found warm in
// this run, whoever held the bench then. It was brought up just now, without its
// supply having been off.
func (t *tenure) stillWarm(ctx context.Context, s *segment) (bool, error) {
	var text []byte
	var elapsed float64
	err := t.agent.Pool.QueryRow(ctx, `SELECT warm, extract(epoch FROM clock_timestamp() - (warm->>'at')::timestamptz)
		FROM run WHERE id = $1 AND warm IS NOT NULL`, s.run).Scan(&text, &elapsed)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("jobs: when the unit of run %s was warm: %w", s.run, err)
	}
	var was warmth
	if json.Unmarshal(text, &was) != nil || was.Serial != s.mount.unit.Serial {
		return false, nil
	}
	u, err := instrumentOf[*radiounit.RadioUnit](ctx, t.rig, s.mount.unit.Serial)
	if err != nil {
		return false, err
	}
	now, known, err := askWarmth(ctx, u)
	if err != nil || !known {
		return false, err
	}
	return was.same(now, time.Duration(elapsed*float64(time.Second))), nil
}
