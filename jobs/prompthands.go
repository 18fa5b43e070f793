package jobs

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"benchyard/jobs/lab"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// cabling is what a person has confirmed of a bench without switch matrix: the
// measuring cable is at the connector, and loads are on the others. It counts for
// one run and one holder of the bench: nobody knows who was there in between.
type cabling struct {
	run       uuid.UUID
	connector int
}

// hands has a person do before the first segment what the bench cannot do by
// itself: put the unit into its slot, and the measuring cable onto its connector.
// Both come before anything is switched on.
func (t *tenure) hands(ctx context.Context, s *segment) error {
	if err := t.mountByHand(ctx, s); err != nil {
		return err
	}
	return t.cable(ctx, s)
}

// mountByHand asks for the unit of the run where it is not in its slot already.
func (t *tenure) mountByHand(ctx context.Context, s *segment) error {
	u := s.mount.unit
	there := t.rig.inSlot(u.Slot)
	if !u.ByHand() || there == u.Serial {
		return nil
	}
	answer, err := t.ask(ctx, Prompt{Kind: MountUnit, Run: s.run, Text: s.mount.mountText(there)})
	if err != nil {
		return err
	}
	err = t.fencedRun(ctx, s.run, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `INSERT INTO slot_unit (bench, slot, serial, mounted_by, mounted_at) VALUES ($1, $2, $3, $4, $5)
			ON CONFLICT (bench, slot) DO UPDATE SET serial = excluded.serial, mounted_by = excluded.mounted_by, mounted_at = excluded.mounted_at`,
			t.bench, u.Slot, u.Serial, answer.By, answer.At)
		return err
	})
	if err != nil {
		return fmt.Errorf("jobs: %s in slot %d of %s: %w", u.Serial, u.Slot, t.bench, err)
	}
	t.rig.putInSlot(u.Slot, u.Serial)
	return nil
}

// mountText says which unit goes where, and what is connected to it.
func (m *mount) mountText(there string) string {
	u := m.unit
	var first, paths string
	if there != "" {
		first = fmt.Sprintf("Take %s out of slot %d. ", there, u.Slot)
	}
	if !m.bench.ByHand() { // otherwise the next prompt is about that
		paths = fmt.Sprintf(" Connect its connectors 1 to %d to the cables of the switch matrix with the same numbers.", m.kind.Connectors)
	}
	return fmt.Sprintf("%sPut %s (%s, board revision %s) into slot %d of %s and connect its supply, its reference and its control cable.%s",
		first, u.Serial, u.Type, u.Revision, u.Slot, u.Bench, paths)
}

// cable asks for the measuring cable on the connector of a segment, with every
// other connector terminated, where the bench has no switch matrix and a person
// has not confirmed just that for this run. Whoever answers confirms both.
func (t *tenure) cable(ctx context.Context, s *segment) error {
	wanted := cabling{s.run, s.cases[0].Connector}
	if !s.mount.bench.ByHand() || t.rig.cabled == wanted {
		return nil
	}
	t.rig.cabled = cabling{} // from now on it may be anywhere
	if _, err := t.ask(ctx, Prompt{Kind: MoveCable, Run: s.run, Text: s.mount.cableText(wanted.connector)}); err != nil {
		return err
	}
	t.rig.cabled = wanted
	if t.rig.set != nil && !t.rig.awake(ctx, s.mount.unit.Serial) {
		t.rig.set = nil // something restarted in the meantime: it is brought up again
	}
	return nil
}

// cableText says where the cable goes, and which loads where.
func (m *mount) cableText(connector int) string {
	var others []string
	for n := 1; n <= m.kind.Connectors; n++ {
		if n != connector {
			others = append(others, fmt.Sprint(n))
		}
	}
	text := fmt.Sprintf("Connect the measuring cable of %s to connector %d of %s in slot %d.", m.bench.Name, connector, m.unit.Serial, m.unit.Slot)
	if others == nil {
		return text
	}
	return fmt.Sprintf("%s Terminate connector %s, each with a load rated for more than %s. With your answer you confirm both.",
		text, strings.Join(others, ", "), greatestPower(m.kind))
}

// slotUnits returns which unit that is mounted by hand was put into each slot last.
func slotUnits(ctx context.Context, db DB, bench string) (map[int]string, error) {
	rows, err := db.Query(ctx, `SELECT slot, serial FROM slot_unit WHERE bench = $1`, bench)
	if err != nil {
		return nil, fmt.Errorf("jobs: reading what is in the slots of %s: %w", bench, err)
	}
	in := map[int]string{}
	var slot int
	var serial string
	_, err = pgx.ForEachRow(rows, []any{&slot, &serial}, func() error {
		in[slot] = serial
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("jobs: reading what is in the slots of %s: %w", bench, err)
	}
	return in, nil
}

// inSlot returns the unit that was put into a slot by hand, empty for none.
func (r *rig) inSlot(slot int) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.slots[slot]
}

// putInSlot notes what is in a slot now. Whoever was there is gone, and its
// control cable leads to another unit.
func (r *rig) putInSlot(slot int, serial string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, gone := range []string{r.slots[slot], serial} {
		if l := r.links[gone]; l != nil {
			l.close()
			delete(r.links, gone)
		}
	}
	r.slots[slot] = serial
}

// units returns the radio units that are on a bench now: without those on the
// shelf that are mounted when they are needed.
func (r *rig) units(bench string) []lab.RadioUnit {
	all := r.inventory().UnitsOn(bench)
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.DeleteFunc(all, func(u lab.RadioUnit) bool { return u.ByHand() && r.slots[u.Slot] != u.Serial })
}

// anyByHand reports whether a unit is on the bench that a person put there.
func anyByHand(units []lab.RadioUnit) bool {
	return slices.ContainsFunc(units, lab.RadioUnit.ByHand)
}

// awake reports whether every instrument of the bench and the unit answer, and
// none was restarted since it was last spoken to.
func (r *rig) awake(ctx context.Context, serial string) bool {
	b, err := r.bench()
	if err != nil {
		return false
	}
	for _, name := range append(r.instruments(b), serial) {
		opened, err := r.open(ctx, name)
		if err != nil || opened.Session().Ready(ctx) != nil {
			r.preset = false // if it was the analyzer, it says so only once
			return false
		}
	}
	return true
}
