package jobs

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"benchyard/jobs/plan"
)

func casesNamed(keys ...string) []*taken {
	var all []*taken
	for _, key := range keys {
		all = append(all, &taken{Case: plan.Case{Key: key}})
	}
	return all
}

// While a case is judged the analyzer goes on: the next one can be handed over.
func TestMarkingGoesOnWhileTheNextCaseComes(t *testing.T) {
	begun, goOn := make(chan struct{}), make(chan struct{})
	var order []string
	d := openMarking(func(k *taken) error {
		if k.Key == "a" {
			close(begun)
			<-goOn
		}
		order = append(order, k.Key)
		return nil
	})
	cases := casesNamed("a", "b", "c")
	d.take(cases[0])
	<-begun
	if !d.take(cases[1]) { // would never return if it took one at a time
		t.Error("the second case was refused")
	}
	close(goOn)
	d.take(cases[2])
	d.close()
	if key, err := d.failure(); err != nil || !slices.Equal(order, []string{"a", "b", "c"}) {
		t.Errorf("judged %q, failed at %q: %v", order, key, err)
	}
}

// What cannot be judged ends the work with its key, panics too, and nothing after it
// is judged.
func TestMarkingEndsAtTheFirstError(t *testing.T) {
	for name, judge := range map[string]func() error{
		"error": func() error { return errors.New("no carrier") },
		"panic": func() error { panic("no carrier") },
	} {
		t.Run(name, func(t *testing.T) {
			var judged []string
			d := openMarking(func(k *taken) error {
				if k.Key == "b" {
					return judge()
				}
				judged = append(judged, k.Key)
				return nil
			})
			cases, refused := casesNamed("a", "b", "c", "d", "e"), false
			for _, k := range cases {
				refused = refused || !d.take(k)
			}
			d.close()
			key, err := d.failure()
			if key != "b" || err == nil || !strings.Contains(err.Error(), "no carrier") {
				t.Errorf("failed at %q: %v; want b", key, err)
			}
			if !refused || !slices.Equal(judged, []string{"a"}) {
				t.Errorf("refused %t, judged %q; want nothing after b", refused, judged)
			}
		})
	}
}
