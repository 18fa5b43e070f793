package sim

import (
	"bytes"
	"time"

	"benchyard/instruments/scpi"
)

// slowness is the wall time a slow instrument lets its controller wait.
const slowness = 250 * time.Millisecond

// reply is what goes over the wire in place of an answer.
type reply struct {
	now   []byte // at once
	after time.Duration
	later []byte // when that has passed
	held  []byte // only with the next reply, before it
	cut   bool   // then the connection ends
}

// spoiled turns a response message without terminator into what the fault makes of it.
func spoiled(f WireFault, answer []byte) reply {
	line := func(b []byte) []byte { return append(bytes.Clone(b), '\n') }
	half := answer[:len(answer)/2]
	switch f {
	case Silent:
		return reply{}
	case Garbage:
		return reply{now: []byte("\x7f~?garbage\n")}
	case Drop:
		return reply{now: half, cut: true}
	case Stale:
		return reply{held: line(answer)}
	case Slow:
		return reply{now: half, after: slowness, later: line(answer[len(half):])}
	case Partial:
		return reply{now: append(bytes.Clone(half), `-224,"Illegal parameter value"`...)}
	case Glued:
		return reply{now: answer}
	case CRLF:
		return reply{now: append(bytes.Clone(answer), "\r\n"...)}
	case Padding:
		return reply{now: append(bytes.Clone(answer), "\r\n\x00\x00"...)}
	case HalfBlock:
		at := bytes.IndexByte(answer, '#')
		if at < 0 {
			break
		}
		return reply{now: answer[:at+(len(answer)-at)/2], cut: true}
	case LineFeedInText:
		return reply{now: line(bytes.Replace(answer, []byte(`"`), []byte("\"\n"), 1))}
	case WrongCount:
		return reply{now: line(miscount(answer))}
	case Indefinite, BareBlock, LineFeedInBlock:
		return spoilBlock(f, answer)
	case DecimalComma, UnitSuffix, OverRange, Dashes:
		return reply{now: line(eachNumber(answer, misprints[f]))}
	}
	return reply{now: line(answer)}
}

// miscount drops the last of several answers, and doubles a single one.
func miscount(answer []byte) []byte {
	units, err := scpi.SplitResponse(answer)
	if err != nil {
		return nil
	}
	if len(units) == 1 {
		return bytes.Join([][]byte{units[0], units[0]}, []byte(";"))
	}
	return bytes.Join(units[:len(units)-1], []byte(";"))
}

// spoilBlock does to a response that ends in a block what the fault says, and
// nothing to others.
func spoilBlock(f WireFault, answer []byte) reply {
	whole := reply{now: append(bytes.Clone(answer), '\n')}
	units, err := scpi.SplitResponse(answer)
	if err != nil {
		return whole
	}
	payload, err := scpi.ParseBlock(units[len(units)-1])
	if err != nil {
		return whole
	}
	before := answer[:len(answer)-len(units[len(units)-1])]
	switch f {
	case BareBlock:
		return reply{now: answer}
	case Indefinite:
		return reply{now: append(append(bytes.Clone(before), "#0"...), whole.now[len(answer)-len(payload):]...)}
	}
	for i := 3; i < len(payload); i += 4 { // the least significant byte of a REAL,32
		payload[i] = '\n'
	}
	return reply{now: append(scpi.AppendBlock(bytes.Clone(before), payload), '\n')}
}

// misprints are the ways to write a number that is not SCPI, or none.
var misprints = map[WireFault]func([]byte) []byte{
	DecimalComma: func(n []byte) []byte {
		if bytes.IndexByte(n, '.') < 0 {
			return bytes.Replace(n, []byte("E"), []byte(",0E"), 1)
		}
		return bytes.Replace(n, []byte("."), []byte(","), 1)
	},
	UnitSuffix: func(n []byte) []byte { return append(bytes.Clone(n), " DBM"...) },
	OverRange:  func([]byte) []byte { return []byte("9.9E+37") },
	Dashes:     func([]byte) []byte { return []byte("---") },
}

// eachNumber replaces every number with a fraction or an exponent. Whole numbers
// stay, since they are counts, switches and registers.
func eachNumber(answer []byte, replace func([]byte) []byte) []byte {
	units, err := scpi.SplitResponse(answer)
	if err != nil {
		return answer
	}
	for i, unit := range units {
		data, err := scpi.SplitData(unit)
		if err != nil {
			continue
		}
		for j, d := range data {
			if _, err := scpi.ParseNumber(d, ""); err == nil && bytes.ContainsAny(d, ".E") {
				data[j] = replace(d)
			}
		}
		units[i] = bytes.Join(data, []byte(","))
	}
	return bytes.Join(units, []byte(";"))
}
