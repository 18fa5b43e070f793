package main

import (
	"context"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"slices"
	"strings"
	"time"

	"golang.org/x/term"

	"benchyard/instruments/scpi"
)

// console talks to one instrument and shows what it says.
type console struct {
	session *scpi.Session
	heard   *lastAnswer
	timeout time.Duration
	block   string // how blocks are shown
	json    bool
	out     io.Writer // answers
	errs    io.Writer // what went wrong
}

var (
	errQuit     = errors.New("quit")                             // ends the console
	errReported = errors.New("the instrument reported an error") // which has been shown
)

// lastAnswer keeps the first response after it was emptied, since a refused query
// spoils a whole message and what did come says why.
type lastAnswer struct {
	text string
	full bool
}

// Record implements scpi.Transcript.
func (l *lastAnswer) Record(direction string, message []byte) {
	if direction == scpi.Received && !l.full {
		l.text, l.full = string(message), true
	}
}

// exchanged is one message, its answers and what the error queue held after it.
type exchanged struct {
	Message string
	Answers [][]byte
	Errors  []scpi.Error
}

// line runs one line: a word of the console or a message.
func (k *console) line(ctx context.Context, text string) error {
	if strings.HasPrefix(text, ".") {
		return k.word(ctx, text)
	}
	x, err := k.exchange(ctx, text)
	if err != nil && k.json {
		return errors.Join(err, k.showJSON(x, err))
	}
	if err != nil {
		return err
	}
	if err := k.show(x); err != nil {
		return err
	}
	if len(x.Errors) > 0 {
		return errReported
	}
	return nil
}

// splitMessage cuts a message into units with headers that start at the root, as
// the instrument would understand them (vol. 1, 6.2.4).
func splitMessage(text string) ([]string, error) {
	parsed, err := scpi.ParseMessage([]byte(text))
	if err != nil {
		return nil, fmt.Errorf("%q is not sent: %w", text, err)
	}
	var units []string
	path := ""
	for _, u := range parsed {
		var unit string
		unit, path = scpi.Resolve(path, u.Header)
		if u.Query {
			unit += "?"
		}
		for i, p := range u.Params {
			unit += map[bool]string{true: " ", false: ","}[i == 0] + string(p)
		}
		units = append(units, unit)
	}
	return units, nil
}

// exchange sends a message and reads the error queue: in the same message, so
// that a refused query is noticed at once and not by a time-out. Only behind an
// answer of arbitrary text nothing may be asked (488.2 10.14).
func (k *console) exchange(ctx context.Context, text string) (exchanged, error) {
	x := exchanged{Message: text}
	units, err := splitMessage(text)
	if err != nil || len(units) == 0 {
		return x, err
	}
	last := strings.ToUpper(units[len(units)-1])
	together := !strings.HasPrefix(last, "*IDN?") && !strings.HasPrefix(last, "*OPT?")
	if together {
		units = append(units, ":SYST:ERR?")
	}
	if err := k.session.Ready(ctx); err != nil {
		return x, err
	}
	*k.heard = lastAnswer{}
	x.Answers, err = k.session.Exchange(ctx, k.timeout, units...)
	switch {
	case errors.Is(err, scpi.ErrAnswer):
		return k.salvage(x, err)
	case err != nil:
		return x, err
	case together:
		entry, err := scpi.ParseError(string(x.Answers[len(x.Answers)-1]))
		if err != nil {
			return x, err
		}
		x.Answers = x.Answers[:len(x.Answers)-1]
		if entry.Number == 0 {
			return x, nil
		}
		x.Errors = append(x.Errors, entry)
	}
	more, err := k.session.DrainErrors(ctx)
	x.Errors = append(x.Errors, more...)
	return x, err
}

// salvage makes the best of answers that do not count up: when the last of them
// is an entry of the error queue, that is why.
func (k *console) salvage(x exchanged, err error) (exchanged, error) {
	parts, bad := scpi.SplitResponse([]byte(k.heard.text))
	if bad != nil {
		return x, err
	}
	entry, bad := scpi.ParseError(string(parts[len(parts)-1]))
	if bad != nil || entry.Number == 0 {
		return x, err
	}
	x.Answers, x.Errors = parts[:len(parts)-1], []scpi.Error{entry}
	if len(x.Answers) > 0 {
		fmt.Fprintf(k.errs, "not every query of %q was answered: which answer belongs to which is not certain\n", x.Message)
	}
	return x, nil
}

// show prints answers, then errors.
func (k *console) show(x exchanged) error {
	if k.json {
		return k.showJSON(x, nil)
	}
	for _, a := range x.Answers {
		if err := k.answer(a); err != nil {
			return err
		}
	}
	for _, e := range x.Errors {
		fmt.Fprintf(k.errs, "error %d, %q\n", e.Number, e.Text)
	}
	return nil
}

// answer prints one answer, a block as the flag has it.
func (k *console) answer(a []byte) error {
	payload, err := scpi.ParseBlock(a)
	if err != nil {
		_, err := fmt.Fprintln(k.out, visible(string(a)))
		return err
	}
	switch k.block {
	case "raw":
		_, err = k.out.Write(payload)
	case "hex":
		_, err = io.WriteString(k.out, hex.Dump(payload))
	case "real32":
		var xs []float64
		if xs, err = scpi.DecodeReal32(payload); err != nil {
			return fmt.Errorf("%w; show it with --block hex", err)
		}
		for _, x := range xs {
			if _, err = fmt.Fprintf(k.out, "%g\n", float32(x)); err != nil {
				return err
			}
		}
	default:
		_, err = fmt.Fprintln(k.out, describeBlock(payload))
	}
	return err
}

// describeBlock says in one line what is in a block.
func describeBlock(payload []byte) string {
	text := fmt.Sprintf("block of %d bytes", len(payload))
	if len(payload) == 0 {
		return text
	}
	text += fmt.Sprintf(", starts with % x", payload[:min(len(payload), 8)])
	xs, err := scpi.DecodeReal32(payload)
	if err != nil {
		return text
	}
	low, high, special := math.Inf(1), math.Inf(-1), 0
	for _, x := range xs {
		if math.IsNaN(x) || math.Abs(x) >= 0.99*scpi.SpecialNumber { // rounded to 32 bits
			special++
			continue
		}
		low, high = min(low, x), max(high, x)
	}
	text += fmt.Sprintf("; as REAL,32: %d numbers", len(xs))
	if special < len(xs) {
		text += fmt.Sprintf(" from %.6g to %.6g, first %.6g, last %.6g", low, high, xs[0], xs[len(xs)-1])
	}
	if special > 0 {
		text += fmt.Sprintf(", %d of them no measured values", special)
	}
	return text
}

// showJSON prints one object. With a failure there is no telling what the instrument
// made of the message.
func (k *console) showJSON(x exchanged, failure error) error {
	type entry struct {
		Number int    `json:"number"`
		Text   string `json:"text"`
	}
	wire := struct {
		Message string  `json:"message"`
		Answers []any   `json:"answers"`
		Errors  []entry `json:"errors"`
		Failure string  `json:"failure,omitempty"`
	}{Message: x.Message, Answers: []any{}, Errors: []entry{}}
	if failure != nil {
		wire.Failure = failure.Error()
	}
	for _, a := range x.Answers {
		if payload, err := scpi.ParseBlock(a); err == nil {
			wire.Answers = append(wire.Answers, map[string]string{"block_base64": base64.StdEncoding.EncodeToString(payload)})
		} else {
			wire.Answers = append(wire.Answers, string(a))
		}
	}
	for _, e := range x.Errors {
		wire.Errors = append(wire.Errors, entry{e.Number, e.Text})
	}
	return json.NewEncoder(k.out).Encode(wire)
}

const consoleHelp = `Type a message, as ":FREQ:CENT 1 GHz;SPAN?". Words of the console:
  .status          status byte and standard events, in words; reading the events clears them
  .block MODE      how to show blocks: summary, hex, real32, raw
  .timeout TIME    longest wait for an answer, as 30s
  .help  .quit     this text; the end (Ctrl-D too)
Arrow up brings back earlier lines. Ctrl-C ends a wait for an answer; at the prompt, the console.
`

// word runs a word of the console.
func (k *console) word(ctx context.Context, text string) error {
	name, value, _ := strings.Cut(text, " ")
	value = strings.TrimSpace(value)
	switch name {
	case ".quit", ".exit":
		return errQuit
	case ".help":
		_, err := io.WriteString(k.out, consoleHelp)
		return err
	case ".block":
		for _, mode := range []string{"summary", "hex", "real32", "raw"} {
			if value == mode {
				k.block = mode
				return nil
			}
		}
		return &badInput{fmt.Errorf(".block %q: want summary, hex, real32 or raw", value)}
	case ".timeout":
		d, err := time.ParseDuration(value)
		if err != nil || d <= 0 {
			return &badInput{fmt.Errorf(".timeout %q: want a time such as 30s", value)}
		}
		k.timeout = d
		return nil
	case ".status":
		return k.status(ctx)
	}
	return &badInput{fmt.Errorf("%s is no word of the console; .help lists them", name)}
}

// Names of the bits of the status byte and of the standard event register
// (488.2 11.2 and 11.5.1, SCPI-1999 vol. 2 chapter 20), from bit 0.
var (
	statusNames = [8]string{"bit 0", "bit 1", "errors queued", "questionable", "answer waiting", "standard event", "service requested", "operation"}
	eventNames  = [8]string{"operation complete", "control requested", "query error", "device error", "execution error", "command error", "user request", "switched on"}
)

func (k *console) status(ctx context.Context) error {
	answers, err := k.session.Exchange(ctx, k.timeout, "*STB?", "*ESR?")
	if err != nil {
		return err
	}
	for i, title := range []string{"status byte", "events"} {
		n, err := scpi.ParseNumber(answers[i], "")
		if err != nil || n < 0 || n > 255 {
			return fmt.Errorf("%s: %.40q is no register", title, answers[i])
		}
		fmt.Fprintf(k.out, "%s %d%s\n", title, int(n), bits(int(n), [][8]string{statusNames, eventNames}[i]))
	}
	return nil
}

// bits names the bits that are set.
func bits(n int, names [8]string) string {
	var set []string
	for i, name := range names {
		if n>>i&1 != 0 {
			set = append(set, name)
		}
	}
	if set == nil {
		return ""
	}
	return ": " + strings.Join(set, ", ")
}

// errInterrupted ends a wait for an answer, and not the console.
var errInterrupted = errors.New("interrupted; the instrument may still be busy with it")

// patiently runs one line until it is done or Ctrl-C is pressed.
func (k *console) patiently(ctx context.Context, text string) error {
	line, stop := signal.NotifyContext(ctx, os.Interrupt)
	defer stop()
	err := k.line(line, text)
	if err != nil && line.Err() != nil && ctx.Err() == nil {
		return errInterrupted
	}
	return err
}

// interact reads lines from a terminal. It is raw only while a line is typed, so
// that Ctrl-C is a signal while an answer is waited for. It ends that wait; what
// else ends the program ends the console.
func (k *console) interact(ctx context.Context, in, out *os.File) error {
	ends := slices.DeleteFunc(endingSignals(), func(s os.Signal) bool { return s == os.Interrupt })
	ctx, stop := signal.NotifyContext(context.WithoutCancel(ctx), ends...)
	defer stop()
	identity, err := k.session.Identity(ctx)
	if err != nil {
		return err
	}
	fmt.Fprintf(k.out, "%s at %s; .help for help\n", identity, k.session.Resource())
	screen := term.NewTerminal(struct {
		io.Reader
		io.Writer
	}{in, out}, "scpi> ")
	for {
		if w, h, err := term.GetSize(int(out.Fd())); err == nil && w > 0 {
			_ = screen.SetSize(w, h) // only the wrapping of long lines depends on it
		}
		was, err := term.MakeRaw(int(in.Fd()))
		if err != nil {
			return err
		}
		text, err := screen.ReadLine()
		if restored := term.Restore(int(in.Fd()), was); restored != nil {
			return restored
		}
		if errors.Is(err, io.EOF) {
			fmt.Fprintln(k.out)
			return nil
		}
		if err != nil && !errors.Is(err, term.ErrPasteIndicator) {
			return err
		}
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		err = k.patiently(ctx, text)
		switch {
		case errors.Is(err, errQuit):
			return nil
		case ctx.Err() != nil:
			return err
		case err != nil && !errors.Is(err, errReported):
			fmt.Fprintln(k.errs, visible(err.Error()))
		}
	}
}
