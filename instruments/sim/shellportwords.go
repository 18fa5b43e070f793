package sim

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"benchyard/instruments/scpi"
)

// reading is something the command line can read, and put unless it is fixed. Its
// name has # where a number says which one.
type reading struct {
	name   string
	header string // on the wire of the line protocol, # in the same place
	kind   readingKind
	unit   string
	factor float64 // what one of the unit is in the base unit
	fixed  bool
}

type readingKind int

const (
	numeric readingKind = iota
	counted
	switched // on or off
	named    // a string
	chosen   // a word; printed in small letters
)

// readings is the one table of what a unit has on its command line. Its words and
// units are not those of the line protocol, so that a driver cannot mix them up.
var readings = [...]reading{
	{name: "revision", header: ":SYSTem:REVision", kind: named, fixed: true},
	{name: "build", header: ":SYSTem:BUILd", kind: named, fixed: true},
	{name: "carriers", header: ":CARRier:COUNt", kind: counted},
	{name: "carrier # frequency", header: ":CARRier#:FREQuency", unit: "MHz", factor: 1e6},
	{name: "carrier # bandwidth", header: ":CARRier#:BANDwidth", unit: "MHz", factor: 1e6},
	{name: "carrier # spacing", header: ":CARRier#:SCSPacing", unit: "kHz", factor: 1e3},
	{name: "carrier # power", header: ":CARRier#:POWer", unit: "dBm", factor: 1},
	{name: "model", header: ":CARRier:TMODel", kind: named},
	{name: "duplex", header: ":CARRier:DUPLex", kind: chosen},
	{name: "transmit", header: ":OUTPut", kind: switched},
	{name: "connector # transmit", header: ":CONNector#:STATe", kind: switched},
	{name: "connector # attenuation", header: ":CONNector#:ATTenuation", unit: "dB", factor: 1},
	{name: "timer", header: ":TIMer", kind: switched},
	{name: "synthesizer", header: ":SYNThesizer:LOCKed", kind: switched, fixed: true},
	{name: "calibration", header: ":CALibration:INITial:RESult", kind: counted, fixed: true},
	{name: "calibration frequency", header: ":CALibration:INITial:FREQuency", unit: "MHz", factor: 1e6, fixed: true},
	{name: "tracking", header: ":CALibration:TRACking:STATe", kind: switched},
	{name: "tracking state", header: ":CALibration:TRACking:STATus", kind: chosen, fixed: true},
	{name: "source", header: ":CARRier:SOURce", kind: chosen},
	{name: "tone offset", header: ":TONE:OFFSet", unit: "kHz", factor: 1e3},
	{name: "tone level", header: ":TONE:LEVel", unit: "dB", factor: 1},
	{name: "reference", header: ":ROSCillator:LOCKed", kind: switched, fixed: true},
	{name: "pps", header: ":ROSCillator:PPS:LOCKed", kind: switched, fixed: true},
	{name: "temperature", header: ":TEMPerature", unit: "degC", factor: 1, fixed: true},
	{name: "alarms", header: ":ALARm:COUNt", kind: counted, fixed: true},
	{name: "supply voltage", header: ":SUPPly:VOLTage", unit: "V", factor: 1, fixed: true},
	{name: "supply current", header: ":SUPPly:CURRent", unit: "A", factor: 1, fixed: true},
	{name: "uptime", header: ":SYSTem:UPTime", unit: "s", factor: 1, fixed: true},
}

// help prints every command.
func help() []string {
	lines := []string{
		"show unit", "read NAME", "put NAME VALUE", "run reset | calibration", "load BUILD",
		"page on | off", "say TEXT", "leave", "names, # is a number from 1:",
	}
	for _, r := range readings {
		line := "  " + r.name
		if r.unit != "" {
			line += " " + r.unit
		}
		if r.fixed {
			line += " (read only)"
		}
		lines = append(lines, line)
	}
	return lines
}

// fits compares typed words with the name of a reading, and returns the header for
// them and how many words the name has.
func (r reading) fits(words []string) (header string, n int, ok bool) {
	header = strings.Replace(r.header, "#", "", 1)
	name := strings.Fields(r.name)
	if len(words) < len(name) {
		return "", 0, false
	}
	for i, w := range name {
		if w != "#" {
			if w != words[i] {
				return "", 0, false
			}
			continue
		}
		if which, err := strconv.ParseUint(words[i], 10, 8); err != nil || which == 0 {
			return "", 0, false
		}
		header = strings.Replace(r.header, "#", words[i], 1)
	}
	return header, len(name), true
}

// findReading returns the reading with the longest name that the words begin with.
func findReading(words []string) (found reading, header string, rest []string, ok bool) {
	most := 0
	for _, r := range readings {
		if h, n, fits := r.fits(words); fits && n > most {
			found, header, most, ok = r, h, n, true
		}
	}
	if !ok {
		return found, "", nil, false
	}
	return found, header, words[most:], true
}

// read prints a reading: its name, its value, its unit.
func (c *console) read(words []string) []string {
	r, header, rest, ok := findReading(words)
	if !ok || len(rest) > 0 {
		return denied("nothing of that name; try help")
	}
	answer, why := c.ask(header)
	if why != "" {
		return denied(why)
	}
	value, err := r.print(answer)
	if err != nil {
		return denied(err.Error())
	}
	return []string{strings.TrimSpace(strings.Join(words, " ") + " " + value + " " + r.unit)}
}

// put changes a setting.
func (c *console) put(words []string) []string {
	r, header, rest, ok := findReading(words)
	switch {
	case !ok || len(rest) != 1:
		return denied("want put NAME VALUE; try help")
	case r.fixed:
		return denied(r.name + " is read only")
	}
	value, err := r.scan(rest[0])
	if err != nil {
		return denied(err.Error())
	}
	if _, why := c.tell(header, value); why != "" {
		return denied(why)
	}
	return nil
}

// print spells an answer of the line protocol for the command line.
func (r reading) print(answer string) (string, error) {
	switch r.kind {
	case named:
		return scpi.Unquote([]byte(answer))
	case chosen:
		for _, long := range []string{"settling", "converged", "failed", "model"} {
			if answer != "" && strings.HasPrefix(long, strings.ToLower(answer)) {
				return long, nil
			}
		}
		return strings.ToLower(answer), nil
	case switched:
		if answer == "1" {
			return "on", nil
		}
		return "off", nil
	}
	x, err := scpi.ParseNumber([]byte(answer), "")
	if err != nil {
		return "", err
	}
	if r.kind == counted {
		return strconv.Itoa(int(x)), nil
	}
	return strconv.FormatFloat(x/r.factor, 'f', -1, 64), nil
}

// scan spells a typed value for the line protocol.
func (r reading) scan(value string) (string, error) {
	switch r.kind {
	case named:
		return scpi.Quote(value), nil
	case switched:
		if value != "on" && value != "off" {
			return "", fmt.Errorf("%.20q: want on or off", value)
		}
		return strings.ToUpper(value), nil
	case chosen:
		for _, letter := range value {
			if (letter < 'a' || letter > 'z') && (letter < 'A' || letter > 'Z') {
				return "", fmt.Errorf("%.20q: want a word of letters", value)
			}
		}
		return strings.ToUpper(value), nil
	}
	x, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return "", fmt.Errorf("%.20q is no number", value)
	}
	if r.kind == numeric {
		x *= r.factor
	}
	return scpi.FormatNumber(x), nil
}

// tell carries a command out; why is empty unless it was refused.
func (c *console) tell(header, value string) (answer, why string) {
	return c.unit(strings.TrimSpace(header + " " + value))
}

// ask answers a query.
func (c *console) ask(header string) (answer, why string) { return c.unit(header + "?") }

// unit carries out one unit of the line protocol on the same device, past its error
// queue: what is wrong is printed at once.
func (c *console) unit(text string) (answer, why string) {
	units, bad := scpi.ParseMessage([]byte(text))
	if bad != nil || len(units) != 1 {
		return "", "not understood"
	}
	u := units[0]
	found, err := c.device.find(u.Header, u.Query)
	if err == nil {
		answer, err = c.device.perform(found, u.Header, u, false, nil)
	}
	var e *scpi.Error
	switch {
	case errors.As(err, &e):
		_, detail, _ := strings.Cut(e.Text, ";")
		if detail == "" {
			detail = e.Text
		}
		return "", detail
	case err != nil:
		return "", err.Error()
	}
	return answer, ""
}
