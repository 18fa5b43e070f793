package lab_test

import (
	"os"
	"testing"

	"benchyard/jobs/lab"
)

// A bench without switch matrix has no routes, and units that are mounted by
// hand share a slot and its address.
func TestByHand(t *testing.T) {
	data, err := os.ReadFile(goodDir + "/by-hand.yaml")
	if err != nil {
		t.Fatal(err)
	}
	l, err := lab.Parse("by-hand.yaml", data)
	if err != nil {
		t.Fatal(err)
	}
	if b, _ := l.Bench("bench-1"); !b.ByHand() || len(l.InstrumentsOn(b)) != 2 {
		t.Errorf("bench %+v", b)
	}
	on := l.UnitsOn("bench-1")
	if len(on) != 2 || on[0].Slot != on[1].Slot || on[0].Resource != on[1].Resource || !on[0].ByHand() || !on[1].Mounted() {
		t.Errorf("units %+v", on)
	}
	matrix, _ := twoBenches(t)
	if b, _ := matrix.Bench("bench-1"); b.ByHand() {
		t.Error("a bench with a switch matrix wants a person")
	}
	if u, _ := matrix.Unit("T2-0001"); u.ByHand() {
		t.Error("a unit in its slot wants to be mounted")
	}
}
