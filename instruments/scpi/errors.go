package scpi

import (
	"fmt"
	"strconv"
	"strings"
)

// Error is an entry of an instrument's error queue, or the number by which a
// decoder of this package says what is wrong with a message (SCPI-1999 vol. 2,
// 21.8). Numbers are matched, texts vary between instruments.
type Error struct {
	Number int    // negative: defined by SCPI; positive: defined by the instrument; 0: no error
	Text   string // description, with device information after ';'
}

// Error prints number and text.
func (e *Error) Error() string { return fmt.Sprintf("scpi: error %d, %q", e.Number, e.Text) }

// Entry returns the error as an answer to ":SYSTem:ERRor?": the number, a comma
// and the text as a string (vol. 2, 21.8.8). The whole is at most 255 characters.
func (e *Error) Entry() string {
	text := e.Text
	if len(text) > 200 {
		text = text[:200]
	}
	return strconv.Itoa(e.Number) + "," + Quote(text)
}

// StandardError returns the error with the text SCPI gives to the number, and
// detail after ';' when there is one. Numbers outside the list carry the text of
// their class ("Command error", "Execution error", ...).
func StandardError(number int, detail string) *Error {
	text, ok := standardTexts[number]
	if !ok {
		text = standardTexts[number/100*100]
	}
	if text == "" {
		text = "Device-specific error"
	}
	if detail != "" {
		text += ";" + detail
	}
	return &Error{Number: number, Text: text}
}

// ParseError decodes an answer to ":SYSTem:ERRor?". `0,"No error"` gives the
// zero number. A number may carry a plus sign; the text must be a string, if an
// empty one: a bare number may be the answer to any other question.
func ParseError(answer string) (Error, error) {
	head, rest, _ := strings.Cut(answer, ",")
	text, bad := Unquote([]byte(strings.TrimSpace(rest)))
	n, err := strconv.Atoi(strings.TrimPrefix(strings.TrimSpace(head), "+"))
	if err != nil || bad != nil || n < -32768 || n > 32767 {
		return Error{}, fmt.Errorf("scpi: %.80q is not an entry of an error queue, want number,\"text\"", answer)
	}
	return Error{Number: n, Text: text}, nil
}

// standardTexts lists the numbers of vol. 2, 21.8 with their texts.
var standardTexts = map[int]string{
	0:    "No error",
	-100: "Command error", -101: "Invalid character", -102: "Syntax error", -103: "Invalid separator",
	-104: "Data type error", -105: "GET not allowed", -108: "Parameter not allowed", -109: "Missing parameter",
	-110: "Command header error", -111: "Header separator error", -112: "Program mnemonic too long",
	-113: "Undefined header", -114: "Header suffix out of range", -115: "Unexpected number of parameters",
	-120: "Numeric data error", -121: "Invalid character in number", -123: "Exponent too large",
	-124: "Too many digits", -128: "Numeric data not allowed",
	-130: "Suffix error", -131: "Invalid suffix", -134: "Suffix too long", -138: "Suffix not allowed",
	-140: "Character data error", -141: "Invalid character data", -144: "Character data too long",
	-148: "Character data not allowed",
	-150: "String data error", -151: "Invalid string data", -158: "String data not allowed",
	-160: "Block data error", -161: "Invalid block data", -168: "Block data not allowed",
	-170: "Expression error", -171: "Invalid expression", -178: "Expression data not allowed",
	-200: "Execution error", -201: "Invalid while in local", -203: "Command protected",
	-210: "Trigger error", -211: "Trigger ignored", -212: "Arm ignored", -213: "Init ignored",
	-214: "Trigger deadlock", -215: "Arm deadlock",
	-220: "Parameter error", -221: "Settings conflict", -222: "Data out of range", -223: "Too much data",
	-224: "Illegal parameter value", -225: "Out of memory", -226: "Lists not same length",
	-230: "Data corrupt or stale", -231: "Data questionable", -232: "Invalid format", -233: "Invalid version",
	-240: "Hardware error", -241: "Hardware missing", -250: "Mass storage error", -256: "File name not found",
	-300: "Device-specific error", -310: "System error", -311: "Memory error", -313: "Calibration memory lost",
	-314: "Save/recall memory lost", -315: "Configuration memory lost", -320: "Storage fault", -321: "Out of memory",
	-330: "Self-test failed", -340: "Calibration failed", -350: "Queue overflow", -360: "Communication error",
	-363: "Input buffer overrun", -365: "Time out error",
	-400: "Query error", -410: "Query INTERRUPTED", -420: "Query UNTERMINATED", -430: "Query DEADLOCKED",
	-440: "Query UNTERMINATED after indefinite response",
	-500: "Power on", -600: "User request", -700: "Request control", -800: "Operation complete",
}
