package scpi

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
)

// number returns the SCPI number of an error, 0 for none.
func number(t *testing.T, err error) int {
	t.Helper()
	if err == nil {
		return 0
	}
	var e *Error
	if !errors.As(err, &e) {
		t.Fatalf("error %v carries no SCPI number", err)
	}
	return e.Number
}

func show(units []Unit) string {
	var b strings.Builder
	for _, u := range units {
		fmt.Fprintf(&b, "[%s %t", u.Header, u.Query)
		for _, p := range u.Params {
			fmt.Fprintf(&b, " %q", p)
		}
		b.WriteString("]")
	}
	return b.String()
}

// Numbers in the names are those of the vectors in facts/scpi.md section 8,
// clauses those of IEEE 488.2 (7.x) and SCPI-1999 vol. 2 21.8 (error numbers).
func TestParseMessage(t *testing.T) {
	tests := []struct {
		name, in, want string
		number         int
	}{
		{"1: common query (10.14)", "*IDN?", `[*IDN true]`, 0},
		{"3: white space around (7.4.1.2)", "  *IDN?\r\n", `[*IDN true]`, 0},
		{"5: no parameter", "*ESE", `[*ESE false]`, 0},
		{"6: two parameters", "*ESE 0, 1", `[*ESE false "0" "1"]`, 0},
		{"7: two units", "*ESE 1;*ESE?", `[*ESE false "1"][*ESE true]`, 0},
		{"8: non-decimal (7.7.4)", "*ESE #HFF;*ESE?", `[*ESE false "#HFF"][*ESE true]`, 0},
		{"14: suffix stays with its number (7.7.3)", "*ESE 1 V", `[*ESE false "1 V"]`, 0},
		{"17: blank before '?' (7.6.2)", "*IDN ?", ``, -102},
		{"18: colon before a common command (7.6.2)", ":*IDN?", ``, -102},
		{"23: leading colon (6.2.4)", "SYST:ERR?;:SYST:VERS?", `[SYST:ERR true][:SYST:VERS true]`, 0},
		{"27: blank in a header (7.6.1)", "SYST :VERS?", ``, -102},
		{"28: empty mnemonic (7.6.1)", "SYST::VERS?", ``, -102},
		{"29: the standard's example of -101", "SETUP&", ``, -101},
		{"30: 13 characters (7.6.1.4.1)", "ABCDEFGHIJKLM:X", ``, -112},
		{"30: 12 characters (7.6.1.4.1)", "ABCDEFGHIJKL:X", `[ABCDEFGHIJKL:X false]`, 0},
		{"32: doubled quote (7.7.5)", `TEST:TEXT "a""b"`, `[TEST:TEXT false "\"a\"\"b\""]`, 0},
		{"33: single quotes (7.7.5)", `TEST:TEXT 'a''b'`, `[TEST:TEXT false "'a''b'"]`, 0},
		{"34: string without end", `TEST:TEXT "abc`, ``, -151},
		{"35: ';' in a string (7.7.5)", `TEST:TEXT "a;b";*OPC?`, `[TEST:TEXT false "\"a;b\""][*OPC true]`, 0},
		{"39: block (7.7.6)", "TEST:ARB? #15ABCDE", `[TEST:ARB true "#15ABCDE"]`, 0},
		{"40: any digit count (7.7.6)", "TEST:ARB? #3003ABC", `[TEST:ARB true "#3003ABC"]`, 0},
		{"41: line feeds in a block (7.7.6)", "TEST:ARB? #15A\nB\nC\n", `[TEST:ARB true "#15A\nB\nC"]`, 0},
		{"41: line feed ends a block (7.7.6)", "TEST:ARB? #12A\n", `[TEST:ARB true "#12A\n"]`, 0},
		{"43: end inside a block", "TEST:ARB? #15AB", ``, -161},
		{"44: channel list (8.3.2)", "TEST:CHAN (@1,2:4)", `[TEST:CHAN false "(@1,2:4)"]`, 0},
		{"46: list without end", "TEST:CHAN (@1,2:4", ``, -171},
		{"48: suffix (7.7.3)", "FREQ:CENT 1.8425 GHZ;CENT?", `[FREQ:CENT false "1.8425 GHZ"][CENT true]`, 0},
		{"52: keyword in a query (7.2.1.2)", "FREQ:CENT? MAX", `[FREQ:CENT true "MAX"]`, 0},
		{"79: empty units", ";;*OPC?;", `[*OPC true]`, 0},
		{"-111 as the standard explains it", `*GMC"X"`, ``, -111},
		{"-103 as the standard explains it", `*EMC 1:CH1:VOLTS 5`, ``, -103},
		{"units before the bad one", "*CLS;SETUP&", `[*CLS false]`, -101},
		{"parameter without value", "FREQ 1,", ``, -102},
		{"above 7 bits", "FREQ \xff", ``, -101},
		{"text behind a string", `TEST:TEXT "a"b`, ``, -103},
		{"indefinite block", "TEST:ARB #0AB", ``, -161},
		{"nothing", "", ``, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			units, err := ParseMessage([]byte(tt.in))
			if got := number(t, err); got != tt.number {
				t.Errorf("error %d (%v), want %d", got, err, tt.number)
			}
			if got := show(units); got != tt.want {
				t.Errorf("got %s, want %s", got, tt.want)
			}
		})
	}
}

// Vectors 22 to 26 of facts/scpi.md section 8: vol. 1, 6.2.4.
func TestResolve(t *testing.T) {
	tests := []struct{ message, want string }{
		{"SYST:ERR?;VERS?", ":SYST:ERR :SYST:VERS"},
		{"SYST:ERR?;:SYST:VERS?", ":SYST:ERR :SYST:VERS"},
		{"SYST:VERS?;*OPC?;ERR?", ":SYST:VERS *OPC :SYST:ERR"},
		{"SYST:ERR?;SYST:VERS?", ":SYST:ERR :SYST:SYST:VERS"},
		{"SYST:ERR:NEXT?;COUN?", ":SYST:ERR:NEXT :SYST:ERR:COUN"},
	}
	for _, tt := range tests {
		units, err := ParseMessage([]byte(tt.message))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		path, absolute := "", ""
		for _, u := range units {
			absolute, path = Resolve(path, u.Header)
			got = append(got, absolute)
		}
		if s := strings.Join(got, " "); s != tt.want {
			t.Errorf("%s: got %s, want %s", tt.message, s, tt.want)
		}
	}
}

func TestSplitResponse(t *testing.T) {
	tests := []struct {
		in   string
		want []string
	}{
		{"1;1\r\n", []string{"1", "1"}},                                            // 488.2 8.4; CR of some instruments
		{`-113,"Undefined header;*XYZ"`, []string{`-113,"Undefined header;*XYZ"`}}, // vol. 2 21.8.1
		{"#15A;\nB,;2\x00\n", []string{"#15A;\nB,", "2"}},                          // 7.7.6, NUL padding
		{"2;#11\n\n", []string{"2", "#11\n"}},                                      // payload is a line feed
		{"O'Neill,A#1,0,2;1", []string{"O'Neill,A#1,0,2", "1"}},                    // free text (10.14)
		{"", []string{""}},
	}
	for _, tt := range tests {
		units, err := SplitResponse([]byte(tt.in))
		if err != nil {
			t.Errorf("%q: %v", tt.in, err)
			continue
		}
		if got := fmt.Sprintf("%q", units); got != fmt.Sprintf("%q", tt.want) {
			t.Errorf("%q: got %s, want %q", tt.in, got, tt.want)
		}
	}
	for _, in := range []string{`0,"No err`, "#15AB", "#0AB", "#2x1"} {
		if units, err := SplitResponse([]byte(in)); err == nil {
			t.Errorf("%q: got %q, want an error", in, units)
		}
	}
	data, err := SplitData([]byte(`1,"a,b",#12,,,3`))
	if got, want := fmt.Sprintf("%q %v", data, err), `["1" "\"a,b\"" "#12,," "3"] <nil>`; got != want {
		t.Errorf("data: got %s, want %s", got, want)
	}
}

// Clauses 488.2 7.7.2 to 7.7.4 and Table 7-1, 7-2; vectors of facts/scpi.md section 8 by number.
func TestParseNumber(t *testing.T) {
	tests := []struct {
		in, unit string
		want     float64
		number   int
	}{
		{"25", "", 25, 0}, {"+.2", "", .2, 0}, {"-25e5", "", -25e5, 0}, {"1.0E-5", "", 1e-5, 0}, // 1.3
		{"1.5 E 3", "", 1500, 0},                                       // 7.7.2.2
		{"#HFF", "", 255, 0}, {"#Q17", "", 15, 0}, {"#B101", "", 5, 0}, // 8, 9
		{"#Q19", "", 0, -121},                            // 10
		{"1 V", "", 0, -138},                             // 14
		{`"x"`, "", 0, -104},                             // 15
		{"1.8425 GHZ", "HZ", 1.8425e9, 0},                // 48
		{"5 MHZ", "HZ", 5e6, 0}, {"5MAHZ", "HZ", 5e6, 0}, // 49
		{"5 MA", "A", 5e-3, 0}, {"5 MAV", "V", 5e6, 0}, {"5 mv", "V", 5e-3, 0}, // 50
		{"-10 DBM", "DBM", -10, 0}, {"-10 DBMW", "DBM", -10, 0}, {"1 V", "DBM", 0, -131}, // 51
		{"2 MOHM", "OHM", 2e6, 0}, {"3 EXHZ", "HZ", 3e18, 0}, {"10 us", "S", 1e-5, 0},
		{"3 KDB", "DB", 0, -131}, {"1 XHZ", "HZ", 0, -131},
		{"1 ABCDEFGHIJKLM", "HZ", 0, -134},                                                  // 7.7.3.4
		{"1e33000", "", 0, -123},                                                            // 54
		{strings.Repeat("1", 25), "", 1111111111111111111111111, 0},                         // 55
		{strings.Repeat("1", 256), "", 0, -124}, {strings.Repeat("0", 300) + "7", "", 7, 0}, // 55
		{"1e400", "", 0, -222}, {"1.2.3", "", 0, -121}, {"1,5", "", 0, -121}, {"-", "", 0, -121},
		{"1E+", "", 0, -121}, {"MAX", "", 0, -104}, {"", "", 0, -109}, {"#H", "", 0, -121}, {"#X1", "", 0, -121},
	}
	for _, tt := range tests {
		got, err := ParseNumber([]byte(tt.in), tt.unit)
		if n := number(t, err); n != tt.number || math.Abs(got-tt.want) > 1e-12*math.Abs(tt.want) {
			t.Errorf("%.40q in %q: got %v, error %d (%v), want %v, %d", tt.in, tt.unit, got, n, err, tt.want, tt.number)
		}
	}
}

// Vectors 36 and 37: vol. 1, 7.3.
func TestParseBool(t *testing.T) {
	for in, want := range map[string]bool{"ON": true, "off": false, "2": true, "-0.4": false, "1": true, "0": false} {
		if got, err := ParseBool([]byte(in)); err != nil || got != want {
			t.Errorf("%s: got %v, %v, want %v", in, got, err, want)
		}
	}
	if _, err := ParseBool([]byte("MAYBE")); number(t, err) != -141 {
		t.Errorf("MAYBE: got %v, want -141", err)
	}
}

func TestFormatNumberRoundTrip(t *testing.T) {
	for _, x := range []float64{0, 1.8425e9, 3.55001e9, -37.25, 1e-3, 1.0 / 3} {
		if got, err := ParseNumber([]byte(FormatNumber(x)), ""); err != nil || got != x {
			t.Errorf("%v: came back as %v, %v", x, got, err)
		}
	}
}

// Vol. 1, 6.2.1 and 6.2.5.2; vectors 19, 20 and 31 by number.
func TestMatchHeader(t *testing.T) {
	tests := []struct{ pattern, header, want string }{
		{":SYSTem:VERSion?", "SYST:VERS?", "[] true"}, {":SYSTem:VERSion?", "SYSTEM:VERSION?", "[] true"}, // 19
		{":SYSTem:VERSion?", "syst:version?", "[] true"}, {":SYSTem:VERSion?", "SYSTE:VERS?", "[] false"}, // 19, 20
		{":SYSTem:VERSion?", "SYST:VERSIO?", "[] false"}, {":SYSTem:VERSion?", "SYST:VERS", "[] false"}, // 20
		{":SYSTem:ERRor[:NEXT]", "SYST:ERR", "[] true"}, {":SYSTem:ERRor[:NEXT]", "SYST:ERR:NEXT", "[] true"},
		{"[:SENSe]:FREQuency:STARt", ":FREQ:STAR", "[] true"}, {"[:SENSe]:FREQuency:STARt", "SENS:FREQ:STAR", "[] true"},
		{"[SENSe:]FREQuency:STARt", "SENS:FREQ:STAR", "[] true"}, {"[:SENSe]:FREQuency:STARt", "SENS:FREQ", "[] false"},
		{"[:SENSe]:BANDwidth|BWIDth[:RESolution]", "BWID", "[] true"},
		{"[:SENSe]:BANDwidth|BWIDth[:RESolution]", "SENSE:BAND:RES", "[] true"},
		{"[:SENSe]:POWer[:RF|:AC]:ATTenuation", "POW:AC:ATT", "[] true"},
		{"[:SENSe]:POWer[:RF|AC]:ATTenuation", "POW:ATT", "[] true"},
		{"[:SENSe]:POWer[:RF|AC]:ATTenuation", "POW:DC:ATT", "[] false"},
		{"OUTPut<n>[:STATe]", "OUTP2", "[2] true"}, {"OUTPut<n>[:STATe]", "OUTPUT2:STAT", "[2] true"},
		{"OUTPut<n>[:STATe]", "OUTP", "[1] true"}, {"OUTPut<n>[:STATe]", "OUTPU2", "[] false"},
		{"[:SOURce<n>]:LIST<n>", "LIST3", "[1 3] true"}, {"[:SOURce<n>]:LIST<n>", "SOUR2:LIST", "[2 1] true"},
		{":TRIGger", "TRIG1", "[] true"}, {":TRIGger", "TRIG2", "[] false"}, // 31
		{"*ESE", "*ese", "[] true"}, {"*ESE", "*ESE1", "[] false"}, {"*ESE", "ESE", "[] false"}, // 16
		{"[:SENSe", "SENS", "[] false"}, {"", "", "[] false"}, {":A", ":", "[] false"},
	}
	for _, tt := range tests {
		suffixes, ok := MatchHeader(tt.pattern, tt.header)
		if got := fmt.Sprint(suffixes, ok); got != tt.want {
			t.Errorf("%s with %s: got %s, want %s", tt.pattern, tt.header, got, tt.want)
		}
	}
	if !MatchWord("RMS|POSitive|SAMPle", "pos") || MatchWord("RMS|POSitive", "POSI") || MatchWord("EXTernal", "") {
		t.Error("character data: only the exact short or long form matches")
	}
}

// Vectors 44 to 47: vol. 1, 8.3.2.
func TestParseChannelList(t *testing.T) {
	tests := []struct {
		in, want string
		number   int
	}{
		{"(@1,2:4)", "[[1] [2] [3] [4]]", 0},
		{"(@1!2:3!4,5)", "[[1 2] [1 3] [1 4] [2 2] [2 3] [2 4] [3 2] [3 3] [3 4] [5]]", 0},
		{"(@101)", "[[101]]", 0}, {"(@3:1)", "[[3] [2] [1]]", 0},
		{"(@1,2:4", "[]", -171}, {"(1,2)", "[]", -171}, {"(@1!2:3)", "[]", -171}, {"(@)", "[]", -171},
		{"(@0:99999999)", "[]", -223}, {"(@1!1!1:100!100!100)", "[]", -223},
	}
	for _, tt := range tests {
		channels, err := ParseChannelList([]byte(tt.in))
		if got := fmt.Sprint(channels); got != tt.want || number(t, err) != tt.number {
			t.Errorf("%s: got %s, %v, want %s, %d", tt.in, got, err, tt.want, tt.number)
		}
	}
}

// Vector 83: "#212" and twelve bytes, most significant first (IEEE 754: 1 is 3F800000).
func TestReal32Block(t *testing.T) {
	got := AppendBlock(nil, AppendReal32(nil, []float64{1, -2, 0.5}))
	want := []byte("#212\x3f\x80\x00\x00\xc0\x00\x00\x00\x3f\x00\x00\x00")
	if !bytes.Equal(got, want) {
		t.Fatalf("got %q, want %q", got, want)
	}
	payload, err := ParseBlock(got)
	if err != nil {
		t.Fatal(err)
	}
	xs, err := DecodeReal32(payload)
	if fmt.Sprint(xs, err) != "[1 -2 0.5] <nil>" {
		t.Fatalf("got %v, %v", xs, err)
	}
	if _, err := DecodeReal32(payload[:5]); err == nil {
		t.Error("five bytes: want an error")
	}
	for _, bad := range []string{"", "1", "#", "#0", "#HFF", "#15AB", "#12ABC", "#1x"} {
		if _, err := ParseBlock([]byte(bad)); number(t, err) != -161 {
			t.Errorf("%q: got %v, want -161", bad, err)
		}
	}
}

func TestReadMessages(t *testing.T) {
	in := "TEST:ARB? #15A\nB\nC\r\n*ESE #HFF\nTEST:TEXT \"#15\"\n#3\n"
	want := []string{"TEST:ARB? #15A\nB\nC", "*ESE #HFF", `TEST:TEXT "#15"`}
	r := bufio.NewReader(iotest.OneByteReader(strings.NewReader(in))) // vectors 42 and 82: TCP cuts anywhere
	for _, w := range want {
		if got, err := ReadMessage(r, 100); err != nil || string(got) != w {
			t.Fatalf("got %q, %v, want %q", got, err, w)
		}
	}
	if _, err := ReadMessage(r, 100); err == nil {
		t.Error("a broken block length: want an error")
	}
	r = bufio.NewReader(strings.NewReader("\r\x00#14\n\r\n;\x00\r\n*"))
	if got, err := ReadResponse(r, 100); err != nil || string(got) != "#14\n\r\n;" {
		t.Errorf("got %q, %v", got, err)
	}
	if _, err := ReadResponse(r, 100); err != io.ErrUnexpectedEOF {
		t.Errorf("half a message: got %v", err)
	}
	if _, err := ReadResponse(r, 100); err != io.EOF {
		t.Errorf("end: got %v", err)
	}
	for _, long := range []string{"#9999999999", strings.Repeat("1", 101)} {
		if _, err := ReadResponse(bufio.NewReader(strings.NewReader(long)), 100); !errors.Is(err, ErrTooLong) {
			t.Errorf("%.20q: got %v, want ErrTooLong", long, err)
		}
	}
}

func TestIdentityAndResource(t *testing.T) {
	id, err := ParseIdentity("Benchyard Sim,SA-26,SA-0001,1.0,b\r\n")
	if want := (Identity{"Benchyard Sim", "SA-26", "SA-0001", "1.0,b"}); err != nil || id != want {
		t.Errorf("got %+v, %v", id, err)
	}
	if again, err := ParseIdentity(id.String()); err != nil || again != id {
		t.Errorf("round trip: got %+v, %v", again, err)
	}
	for _, bad := range []string{"", "a,b,c", "a,,c,d", "a,b\x01,c,d", strings.Repeat("a", 300) + ",b,c,d"} {
		if _, err := ParseIdentity(bad); err == nil {
			t.Errorf("%.20q: want an error", bad)
		}
	}
	for in, want := range map[string]Resource{
		"TCPIP::192.0.2.7::5025::SOCKET": {"192.0.2.7", 5025, ""}, "tcpip0::sa-1.lab::1::socket": {"sa-1.lab", 1, ""},
		"TCPIP::[2001:db8::1]::5025::SOCKET": {"2001:db8::1", 5025, ""},
		"TCPIP::192.0.2.7::hislip0::INSTR":   {"192.0.2.7", 4880, "hislip0"}, // IVI-6.1: port 4880
		"tcpip0::SA::HiSLIP12,4881::instr":   {"SA", 4881, "hislip12"},
		"TCPIP::[::1]::hislip0,1::INSTR":     {"::1", 1, "hislip0"},
	} {
		got, err := ParseResource(in)
		if err != nil || got != want {
			t.Errorf("%s: got %+v, %v", in, got, err)
		}
		if again, err := ParseResource(got.String()); err != nil || again != got {
			t.Errorf("%s: round trip gives %+v, %v", in, again, err)
		}
	}
	for _, bad := range []string{"", "TCPIP::h::5025", "TCPIP::h::5025::INSTR", "GPIB::1::1::SOCKET", "TCPIP::::1::SOCKET",
		"TCPIP::h::0::SOCKET", "TCPIP::h::65536::SOCKET", "TCPIP::h::+1::SOCKET", "TCPIP::a b::1::SOCKET", "TCPIP::[x]::1::SOCKET", "TCPIP::SOCKET",
		"TCPIP::h::INSTR", "TCPIP::h::inst0::INSTR", "TCPIP::h::hislip::INSTR", "TCPIP::h::hislip0,::INSTR", "TCPIP::h::hislip0,0::INSTR",
		"TCPIP::h::hislip0,70000::INSTR", "TCPIP::h::hislip0x::INSTR", "TCPIP::::hislip0::INSTR", "TCPIP::h::hislip0::SOCKET"} {
		if r, err := ParseResource(bad); err == nil {
			t.Errorf("%s: got %+v, want an error", bad, r)
		}
	}
}

func TestErrorEntry(t *testing.T) {
	e := StandardError(-113, `"X"`)
	if got, want := e.Entry(), `-113,"Undefined header;""X"""`; got != want { // vol. 2 21.8.8
		t.Errorf("got %s, want %s", got, want)
	}
	if got, err := ParseError(e.Entry()); err != nil || got != *e {
		t.Errorf("round trip: got %+v, %v", got, err)
	}
	for in, want := range map[string]Error{`+0,"No error"`: {0, "No error"}, `42,""`: {42, ""}} {
		if got, err := ParseError(in); err != nil || got != want {
			t.Errorf("%s: got %+v, %v", in, got, err)
		}
	}
	for _, bad := range []string{"", "ok", "0", "0,", "0,No error", "1.5,\"x\"", "99999,\"x\""} {
		if got, err := ParseError(bad); err == nil {
			t.Errorf("%q: got %+v, want an error", bad, got)
		}
	}
	if got := StandardError(-199, "").Text; got != "Command error" { // 21.8.2: XX0 is the fallback
		t.Errorf("unknown number: got %q", got)
	}
}
