package scpi_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

// echoing answers what an instrument has to, and :ECHO? with its parameter.
func echoing() func(message string) string {
	known := map[string]string{"*ESE": "0", "*ESR": "0", "*OPC": "1", "*IDN": Identity, ":SYST:ERR": NoError}
	return func(message string) string {
		units, err := scpi.ParseMessage([]byte(message))
		if err != nil {
			return ""
		}
		var answers []string
		for _, u := range units {
			switch {
			case u.Header == "*ESE" && !u.Query:
				known["*ESE"] = string(u.Params[0])
			case u.Header == ":ECHO":
				answers = append(answers, string(u.Params[0]))
			case u.Query:
				answers = append(answers, known[u.Header])
			}
		}
		if len(answers) == 0 {
			return ""
		}
		return strings.Join(answers, ";") + "\n"
	}
}

// numbered returns n different questions, and their answers joined.
func numbered(n int) (queries []string, answers string) {
	var joined []string
	for i := range n {
		queries, joined = append(queries, fmt.Sprintf(":ECHO? %d", 1000+i)), append(joined, fmt.Sprint(1000+i))
	}
	return queries, strings.Join(joined, ",")
}

// counting is a transcript that looks at how much is under way.
type counting struct{ sent, received, most int }

func (c *counting) Record(direction string, message []byte) {
	switch direction {
	case scpi.Sent:
		c.sent++
	case scpi.Received:
		c.received++
	}
	c.most = max(c.most, c.sent-c.received)
}

func TestPipelineKeepsOrderWindowAndBuffer(t *testing.T) {
	queries, want := numbered(100)
	for _, tt := range []struct {
		name   string
		config scpi.Config
		most   int // questions under way; the probe of eight comes first
	}{
		{"window", scpi.Config{}, 16},
		{"input buffer", scpi.Config{InputBuffer: 104}, 4}, // half of it holds four of 13 bytes
		{"sequential", scpi.Config{Sequential: true}, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			seen := &counting{}
			tt.config.Transcript = seen
			s := dial(t, tt.config, Greet(), Serving(echoing()))
			got, err := s.Pipeline(t.Context(), queries...)
			if err != nil || strings.Join(got, ",") != want {
				t.Errorf("got %q, %v", got, err)
			}
			if seen.most != tt.most {
				t.Errorf("%d questions were under way, want %d", seen.most, tt.most)
			}
		})
	}
}

func TestPipelineAsksOneByOneWhatStandsAlone(t *testing.T) {
	for _, query := range []string{"*OPC?", "*TST?", ":MEAS:VOLT?", ":READ?", ":TRACe:DATA? TRACE1", ":SENS:DATA?", ":CALibration:ALL?"} {
		s := dial(t, scpi.Config{}, Greet(), Answer(":A?", "1"), Answer(query, "2"))
		if got, err := s.Pipeline(t.Context(), ":A?", query); err != nil || strings.Join(got, ",") != "1,2" {
			t.Errorf("%s: got %q, %v", query, got, err)
		}
	}
}

func TestPipelineTakesQueriesOnly(t *testing.T) {
	s := dial(t, scpi.Config{}, Greet())
	for _, bad := range []string{":A", "", ":A?;:B?", ":A?\n:B?", ":" + strings.Repeat("A:", 100) + "A?"} {
		if got, err := s.Pipeline(t.Context(), ":A?", bad); err == nil || !scpi.SafeToRetry(err) {
			t.Errorf("%.20q: got %q, %v", bad, got, err)
		}
	}
	if got, err := s.Pipeline(t.Context()); err != nil || len(got) != 0 {
		t.Errorf("nothing: got %q, %v", got, err)
	}
}

func TestPipelineIsNotUsedWhereItLosesAnswers(t *testing.T) {
	queries, want := numbered(20)
	tests := map[string]func(answer func(string) string) func(string) string{
		"an error is queued": func(answer func(string) string) func(string) string {
			queued := []string{NoError, `-410,"Query INTERRUPTED"`}
			return func(m string) string {
				if m == "*ESR?" { // bit 2 of the standard event status register, 488.2 11.5.1
					return "4\n"
				}
				if m == ":SYST:ERR?" && len(queued) > 0 {
					last := queued[len(queued)-1]
					queued = queued[:len(queued)-1]
					return last + "\n"
				}
				return answer(m)
			}
		},
		"an answer is lost": func(answer func(string) string) func(string) string {
			n := 0
			return func(m string) string {
				if strings.HasPrefix(m, "*ESE") && strings.Count(m, ";") == 1 {
					if n++; n == 5 {
						return ""
					}
				}
				return answer(m)
			}
		},
		"answers change places": func(answer func(string) string) func(string) string {
			n, held := 0, ""
			return func(m string) string {
				if strings.HasPrefix(m, "*ESE") && strings.Count(m, ";") == 1 {
					switch n++; n {
					case 1:
						held = answer(m)
						return ""
					case 2:
						return answer(m) + held
					}
				}
				return answer(m)
			}
		},
	}
	for name, spoil := range tests {
		t.Run(name, func(t *testing.T) {
			seen := &counting{}
			s := dial(t, scpi.Config{Transcript: seen}, Greet(), Serving(spoil(echoing())))
			for range 2 {
				got, err := s.Pipeline(t.Context(), queries...)
				if err != nil || strings.Join(got, ",") != want {
					t.Errorf("got %q, %v", got, err)
				}
				seen.most, seen.sent, seen.received = 0, 0, 0
			}
			if got, err := s.Pipeline(t.Context(), queries...); err != nil || seen.most != 1 {
				t.Errorf("%d questions were under way: %q, %v", seen.most, got, err)
			}
		})
	}
}

// Whatever happens to one answer, none is returned: order is all that tells them apart.
func TestPipelineFailsAsAWhole(t *testing.T) {
	queries, _ := numbered(20)
	tests := map[string]struct {
		spoil func(answer string) string
		want  error
	}{
		"lost":    {func(string) string { return "" }, scpi.ErrAnswer},
		"doubled": {func(a string) string { return a + a }, scpi.ErrAnswer},
		"partial": {func(a string) string { return strings.TrimSuffix(a, "\n") }, scpi.ErrAnswer},
		"two":     {func(a string) string { return "1;" + a }, scpi.ErrAnswer},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			answer, spoiled := echoing(), false
			s := dial(t, scpi.Config{Timeout: 300 * time.Millisecond}, Greet(), Serving(func(m string) string {
				if m == ":ECHO? 1007" && !spoiled {
					spoiled = true
					return tt.spoil(answer(m))
				}
				return answer(m)
			}))
			got, err := s.Pipeline(t.Context(), queries...)
			if got != nil || !errors.Is(err, tt.want) || scpi.SafeToRetry(err) {
				t.Errorf("got %q, %v, want %v", got, err, tt.want)
			}
			wantQuery(t, s, ":ECHO? 3", "3")
			if got, err := s.Pipeline(t.Context(), queries...); err != nil || len(got) != 20 {
				t.Errorf("afterwards: got %q, %v", got, err)
			}
		})
	}
}

func TestPipelineEndsWithContextAndGuard(t *testing.T) {
	queries, want := numbered(20)
	ctx, stop := stopping(t)
	var refuse atomic.Bool
	lost := errors.New("lease lost")
	guard := func() error {
		if refuse.Load() {
			return lost
		}
		return nil
	}
	for name, tt := range map[string]struct {
		ctx  context.Context
		on   func() // when the instrument has the eighth question
		want error
	}{
		"cancel": {ctx, func() { _ = stop(nil) }, context.Canceled},
		"guard":  {t.Context(), func() { refuse.Store(true) }, lost},
	} {
		t.Run(name, func(t *testing.T) {
			answer, mute := echoing(), true
			s := dial(t, scpi.Config{Timeout: time.Second, Guard: guard}, Greet(), Serving(func(m string) string {
				if m == ":ECHO? 1007" && mute {
					mute = false
					tt.on()
					if name == "cancel" {
						return ""
					}
				}
				return answer(m)
			}))
			if got, err := s.Pipeline(tt.ctx, queries...); got != nil || !errors.Is(err, tt.want) || scpi.SafeToRetry(err) {
				t.Errorf("got %q, %v, want %v", got, err, tt.want)
			}
			refuse.Store(false)
			if got, err := s.Pipeline(t.Context(), queries...); err != nil || strings.Join(got, ",") != want {
				t.Errorf("afterwards: got %q, %v", got, err)
			}
		})
	}
}

func TestPipelineTimeout(t *testing.T) {
	queries, want := numbered(20)
	answer, dead := echoing(), false
	s := dial(t, scpi.Config{Timeout: 300 * time.Millisecond}, Greet(), Serving(func(m string) string {
		if dead = dead || m == ":ECHO? 1007"; dead {
			return ""
		}
		return answer(m)
	}), Greet(), Serving(echoing()))
	if got, err := s.Pipeline(t.Context(), queries...); got != nil || !errors.Is(err, scpi.ErrTimeout) || scpi.SafeToRetry(err) {
		t.Errorf("got %q, %v", got, err)
	}
	if got, err := s.Pipeline(t.Context(), queries...); err != nil || strings.Join(got, ",") != want {
		t.Errorf("on a new connection: got %q, %v", got, err)
	}
}
