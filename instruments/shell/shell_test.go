package shell_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
	"benchyard/instruments/shell"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// quiet is short: the peers of these tests send an output in one piece.
const quiet = 10 * time.Millisecond

var manner = shell.Manner{Prompt: `ru-\d+> `, Refused: `^refused: (.*)`, User: `login:`, Password: `password:`, Quiet: quiet}

// record is a transcript that can be looked at.
type record struct {
	mu    sync.Mutex
	lines []string
}

func (r *record) Record(direction string, message []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lines = append(r.lines, direction+" "+string(message))
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return strings.Join(r.lines, "\n")
}

// says expects a line and prints an output and the prompt.
func says(line, output string) Step { return Steps(Expect(line), Send(output+"ru-1> ")) }

// greet accepts a connection and shows the prompt.
func greet() Step { return Steps(Accept(), Send("Unit 1, authorised use only\r\n\r\nru-1> ")) }

func dial(t *testing.T, c shell.Config, steps ...Step) *shell.Session {
	t.Helper()
	if c.Manner.Prompt == "" {
		c.Manner = manner
	}
	s, err := shell.Dial(t.Context(), Serve(t, steps...), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// ask returns the output of one line.
func ask(s *shell.Session, line string) (text string, err error) {
	err = s.Ask(context.Background(), func(outputs []string) error { text = outputs[0]; return nil }, line)
	return text, err
}

func TestOutputsAsATerminalShowsThem(t *testing.T) {
	for name, c := range map[string]struct{ sent, want string }{
		"plain":              {"21.5\n", "21.5"},
		"carriage returns":   {"a\r\nb\r\r\nc\r\n", "a\nb\nc"},
		"echo":               {"get x\r\n21.5\r\n", "21.5"},
		"coloured":           {"\x1b[32m21.5\x1b[0m\r\n\x1b]0;title\x07\x1b[2K\r", "21.5"},
		"corrected":          {"21.4\b5\n", "21.5"},
		"progress":           {"10 %\r 99 %\r21.5\n", "21.5"},
		"nothing":            {"", ""},
		"prompt in the text": {"try ru-1> help\nor ru-7> \nthat\n", "try ru-1> help\nor ru-7> \nthat"},
	} {
		s := dial(t, shell.Config{}, greet(), says("get x", c.sent))
		if got, err := ask(s, "get x"); got != c.want || err != nil {
			t.Errorf("%s: got %q, %v, want %q", name, got, err, c.want)
		}
	}
}

// A false prompt at the end of a piece deceives nobody where the unit can echo: what
// stands in front of the echo belongs to the command, however slowly it came.
func TestPromptInTheMiddleOfAnOutput(t *testing.T) {
	m := manner
	m.Echo = "print {text}"
	for name, reply := range map[string][2]string{
		"terminal shows nothing":     {"", "ru-1> %s\r\nru-1> "},
		"terminal shows the command": {"print %[1]s\r\n", "ru-1> %[1]s\r\nru-1> "},
		"shell shows it again":       {"", "ru-1> print %[1]s\r\n%[1]s\r\nru-1> "},
		"answer on a line of itself": {"", "ru-1> \r\n%s\r\nru-1> "},
	} {
		going := make(chan struct{})
		s := dial(t, shell.Config{Manner: m}, greet(),
			Expect("list"), Send("first\r\nru-1> "), // the output goes on behind what looks like a prompt
			expectLine(func(mark string) string {
				close(going)
				shown := ""
				if reply[0] != "" {
					shown = fmt.Sprintf(reply[0], mark)
				}
				return shown + "second\r\n" + fmt.Sprintf(reply[1], mark)
			}))
		got, err := ask(s, "list")
		if want := "first\nru-1> second"; got != want || err != nil {
			t.Errorf("%s: got %q, %v, want %q", name, got, err, want)
		}
		<-going
	}
}

// expectLine waits for "print MARK" and sends what f makes of the mark.
func expectLine(f func(mark string) string) Step {
	return Serving(func(line string) string {
		if mark, ok := strings.CutPrefix(line, "print "); ok {
			return f(mark)
		}
		return ""
	})
}

func TestLogin(t *testing.T) {
	const secret = "open sesame"
	login := shell.Login{User: "bench", Password: func() (string, error) { return secret, nil }}
	enter := Steps(Accept(), Send("\r\nUnit 1 login: "), Expect("bench"), Send("bench\r\npassword: "), Expect(secret))
	t.Run("accepted", func(t *testing.T) {
		var r record
		m := manner
		m.Setup = []string{"page off"}
		s := dial(t, shell.Config{Manner: m, Login: login, Transcript: &r}, enter, Send("\r\nwelcome\r\nru-1> "), says("page off", ""),
			says("get x", "open sesame\n"))
		if _, err := ask(s, "get x"); err != nil {
			t.Error(err)
		}
		if text := r.String(); strings.Contains(text, secret) || !strings.Contains(text, "sent bench") || !strings.Contains(text, "sent <secret>") || !strings.Contains(text, "sent page off") {
			t.Errorf("transcript:\n%s", text)
		}
	})
	for name, c := range map[string]struct {
		login shell.Login
		steps []Step
	}{
		"asked again":      {login, []Step{enter, Send("\r\nincorrect\r\npassword: "), Gone()}},
		"user asked again": {login, []Step{enter, Send("\r\nincorrect\r\nUnit 1 login: "), Gone()}},
		"cut off":          {login, []Step{enter, Close()}},
		"no password":      {shell.Login{User: "bench"}, []Step{Accept(), Send("login: "), Expect("bench"), Send("password: "), Gone()}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := shell.Dial(t.Context(), Serve(t, c.steps...), shell.Config{Manner: manner, Login: c.login})
			if !errors.Is(err, shell.ErrLogin) || !scpi.SafeToRetry(err) || strings.Contains(err.Error(), secret) {
				t.Errorf("got %v", err)
			}
		})
	}
	t.Run("silent until a key", func(t *testing.T) {
		dial(t, shell.Config{}, Accept(), Expect(""), Send("\r\nru-1> "))
	})
	t.Run("never a prompt", func(t *testing.T) {
		_, err := shell.Dial(t.Context(), Serve(t, Accept(), Send("boot: waiting for the fan\r\n"), Gone()),
			shell.Config{Manner: manner, Timeout: 50 * time.Millisecond})
		if !errors.Is(err, scpi.ErrTimeout) {
			t.Errorf("got %v", err)
		}
	})
}

func TestRefusedCommand(t *testing.T) {
	s := dial(t, shell.Config{}, greet(), says("set x 1", "ok\n"), says("set x 2", "set x 2\r\nrefused: it transmits\r\n"))
	err := s.Command(t.Context(), "set x 1", "set x 2", "set x 3")
	var refused *shell.Refusal
	if !errors.As(err, &refused) || *refused != (shell.Refusal{Line: "set x 2", Reason: "it transmits"}) || scpi.SafeToRetry(err) {
		t.Errorf("got %v", err)
	}
}

// A lost prompt costs the connection; the next call opens another one and says that
// the unit may have been switched off meanwhile, unless its boot counter denies it.
func TestLostPrompt(t *testing.T) {
	for boot, restarted := range map[string]bool{"": true, "7": false, "8": true} {
		identify := func(ctx context.Context, ask func(string) (string, error)) (scpi.Identity, string, error) {
			text, err := ask("who")
			return scpi.Identity{Serial: "1"}, text, err
		}
		first := "7"
		if boot == "" {
			first = ""
		}
		s := dial(t, shell.Config{Identify: identify, Timeout: 100 * time.Millisecond}, greet(), says("who", first+"\n"),
			Expect("get x"), Send("ru-1# "), WasReset(),
			greet(), says("who", boot+"\n"), says("get x", "5\n"))
		_, err := ask(s, "get x")
		if !errors.Is(err, scpi.ErrTimeout) || !strings.Contains(err.Error(), "ru-1# ") || scpi.SafeToRetry(err) {
			t.Errorf("boot %q: got %v", boot, err)
		}
		got, err := ask(s, "get x")
		if restarted {
			if !errors.Is(err, scpi.ErrRestarted) || !scpi.SafeToRetry(err) {
				t.Errorf("boot %q: got %q, %v", boot, got, err)
			}
			got, err = ask(s, "get x")
		}
		if got != "5" || err != nil {
			t.Errorf("boot %q: got %q, %v", boot, got, err)
		}
	}
}

func TestAnotherUnitAnswers(t *testing.T) {
	identify := func(ctx context.Context, ask func(string) (string, error)) (scpi.Identity, string, error) {
		text, err := ask("who")
		return scpi.Identity{Serial: text}, "1", err
	}
	s := dial(t, shell.Config{Identify: identify}, greet(), says("who", "A\n"), Expect("get x"), Reset(), greet(), says("who", "B\n"), Gone())
	if _, err := ask(s, "get x"); err == nil || scpi.SafeToRetry(err) {
		t.Errorf("got %v", err)
	}
	if _, err := ask(s, "get x"); !errors.Is(err, scpi.ErrWrongInstrument) {
		t.Errorf("got %v", err)
	}
}

func TestGuardStandsBeforeEveryWrite(t *testing.T) {
	gone := errors.New("the lease is gone")
	permitted := 0
	guard := func() error {
		if permitted == 0 {
			return gone
		}
		permitted--
		return nil
	}
	m := manner
	m.Setup = []string{"page off"}
	script := []Step{
		Steps(Accept(), Send("login: ")), Steps(Expect("bench"), Send("password: ")), Steps(Expect("pw"), Send("ru-1> ")), says("page off", ""),
	}
	for writes := range 5 { // connection, user, password, setup
		permitted = writes
		steps := slices.Clone(script[:writes])
		if writes > 0 {
			steps = append(steps, Gone())
		}
		s, err := shell.Dial(t.Context(), Serve(t, steps...),
			shell.Config{Manner: m, Guard: guard, Login: shell.Login{User: "bench", Password: func() (string, error) { return "pw", nil }}})
		if (writes == 4) != (err == nil) || err != nil && (!errors.Is(err, scpi.ErrRefused) || !errors.Is(err, gone)) {
			t.Errorf("%d writes permitted: got %v", writes, err)
		}
		if s == nil {
			continue
		}
		if err := s.Command(t.Context(), "transmit on"); !errors.Is(err, scpi.ErrRefused) || !scpi.SafeToRetry(err) {
			t.Errorf("command: got %v", err)
		}
		s.Close()
	}
}

// Safe state comes through when the lease is gone.
func TestOtherGuardOfTheContext(t *testing.T) {
	permitted := true
	s := dial(t, shell.Config{Guard: func() error {
		if !permitted {
			return errors.New("no")
		}
		return nil
	}}, greet(), says("off", ""), says("get tx", "tx off\n"))
	permitted = false
	ctx := scpi.WithGuard(t.Context(), nil)
	if err := s.Confirm(ctx, "get tx", func(out string) bool { return out == "tx off" }, "off"); err != nil {
		t.Error(err)
	}
}

func TestConfirm(t *testing.T) {
	off := func(out string) bool { return out == "tx off" }
	t.Run("on a new connection", func(t *testing.T) {
		s := dial(t, shell.Config{}, greet(), Expect("off"), Reset(), greet(), says("off", ""), says("get tx", "tx off\n"), says("get x", "1\n"))
		if err := s.Confirm(t.Context(), "get tx", off, "off"); err != nil {
			t.Error(err)
		}
		if _, err := ask(s, "get x"); !errors.Is(err, scpi.ErrRestarted) {
			t.Errorf("the restart was not left for the next caller: %v", err)
		}
		if _, err := ask(s, "get x"); err != nil {
			t.Error(err)
		}
	})
	t.Run("refused but so", func(t *testing.T) {
		s := dial(t, shell.Config{}, greet(), says("off", "refused: it is off\n"), says("get tx", "tx off\n"))
		if err := s.Confirm(t.Context(), "get tx", off, "off"); err != nil {
			t.Error(err)
		}
	})
	t.Run("still on", func(t *testing.T) {
		try := Steps(greet(), says("off", "refused: stuck\n"), says("get tx", "tx on\n"))
		s := dial(t, shell.Config{}, try, try)
		err := s.Confirm(t.Context(), "get tx", off, "off")
		if !errors.Is(err, scpi.ErrUnconfirmed) || !strings.Contains(err.Error(), "stuck") {
			t.Errorf("got %v", err)
		}
	})
}

func TestCancelledAndClosed(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	s := dial(t, shell.Config{}, greet(), Expect("get x"), Do(cancel), WasReset(), greet(), Expect("get x"), Do(func() {}), Gone())
	if err := s.Command(ctx, "get x"); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
	if err := s.Ready(t.Context()); !errors.Is(err, scpi.ErrRestarted) {
		t.Errorf("got %v", err)
	}
	failed := make(chan error)
	go func() { failed <- s.Command(t.Context(), "get x") }()
	for deadline := time.Now().Add(10 * time.Second); time.Now().Before(deadline); {
		busy, end := context.WithTimeout(t.Context(), time.Millisecond)
		err := s.Ready(busy)
		end()
		if err != nil { // the command has the turn
			break
		}
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := <-failed; !errors.Is(err, scpi.ErrClosed) {
		t.Errorf("got %v", err)
	}
	if err := s.Command(t.Context(), "get x"); !errors.Is(err, scpi.ErrClosed) {
		t.Errorf("got %v", err)
	}
}

func TestWhatIsNeverSent(t *testing.T) {
	s := dial(t, shell.Config{MaxOutput: 100}, greet(), Expect("get x"), Send(strings.Repeat("x", 200)), WasReset())
	for _, line := range []string{"get x\nset y", "get x\r", "\x03", strings.Repeat("x", 2000)} {
		if err := s.Command(t.Context(), line); err == nil || !scpi.SafeToRetry(err) {
			t.Errorf("%.20q: got %v", line, err)
		}
	}
	if _, err := ask(s, "get x"); !errors.Is(err, scpi.ErrTooLong) {
		t.Errorf("got %v", err)
	}
}

func TestMannersThatAreNone(t *testing.T) {
	for _, m := range []shell.Manner{
		{}, {Prompt: "("}, {Prompt: "a)(b"}, {Prompt: ".*"}, {Prompt: ">", Echo: "print"}, {Prompt: ">", Setup: []string{"a\nb"}}, {Prompt: ">", Refused: "["},
	} {
		if m.Check() == nil {
			t.Errorf("%+v: want an error", m)
		}
	}
}

// Whatever arrives, the text holds no control sequence, and cleaning it again
// changes nothing.
func FuzzClean(f *testing.F) {
	for _, s := range []string{"a\r\nb", "\x1b[1;32mok\x1b[0m", "\x1b]0;t\x07x", "\x1b(B", "ab\b\bc\rd", "\x1b[", "\x1b", "\x1bP\x1b\\"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		text := shell.Clean(raw)
		if strings.ContainsAny(text, "\x1b\r\b\x00\x07") || len(text) > len(raw) {
			t.Errorf("%q from %q", text, raw)
		}
		if again := shell.Clean([]byte(text)); again != text {
			t.Errorf("%q, again %q", text, again)
		}
	})
}
