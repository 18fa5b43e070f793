package sim

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// standardVector is one row of the table of test vectors (scpi facts, section 8). The
// message is sent to an instrument just switched on and cleared; want is its
// answer as a regular expression that fits all of it, empty for none; left are
// the numbers in the error queue afterwards, of which one that ends in "xx" fits
// its class. MAV (16) is masked in answers of *STB? by asking alone.
type standardVector struct {
	number  int
	clause  string
	message string
	want    string
	left    string
}

const (
	fine     = `0,"No error"`
	identify = `Benchyard,Fixture,T-1,1\.0`
	product  = "1!2 1!3 1!4 2!2 2!3 2!4 3!2 3!3 3!4 5" // of vector 45, row-major
)

// vectors are the rows that are one message and its answer.
var vectors = []standardVector{
	{1, "488.2 10.14", "*IDN?", identify, ""},
	{2, "488.2 7.6.1", "*idn?", identify, ""},
	{3, "488.2 7.4.1.2", "  *IDN?\r", identify, ""},
	{4, "vol. 2 21.8", "*XYZ", "", "-113"},
	{5, "vol. 2 21.8", "*ESE", "", "-109"},
	{6, "vol. 2 21.8", "*ESE 0,1", "", "-108"},
	{7, "488.2 10.10", "*ESE 1;*ESE?", "1", ""},
	{8, "488.2 7.7.4", "*ESE #HFF;*ESE?", "255", ""},
	{9, "488.2 7.7.4", "*ESE #Q17;*ESE?", "15", ""},
	{9, "488.2 7.7.4", "*ESE #B101;*ESE?", "5", ""},
	{10, "vol. 2 21.8 -121", "*ESE #Q19", "", "-121"},
	{11, "488.2 10.10, vol. 2 21.8.10", "*ESE 3.6;*ESE?", "4", ""},
	{12, "488.2 10.10", "*ESE 7;*ESE 256;*ESE?", "7", "-222"},
	{13, "488.2 11.3.2", "*SRE 255;*SRE?", "191", ""},
	{14, "vol. 2 21.8 -138", "*ESE 1 V", "", "-138"},
	{15, "vol. 2 21.8 -104", `*ESE "x"`, "", "-104"},
	{16, "vol. 2 21.8 -113", "*ESE1", "", "-113"},
	{17, "488.2 7.6.2", "*IDN ?", "", "-1xx"},
	{18, "488.2 7.6.2", ":*IDN?", "", "-1xx"},
	{19, "vol. 1 6.2.1", "SYST:VERS?", `1999\.0`, ""},
	{19, "vol. 1 6.2.1", "SYSTEM:VERSION?", `1999\.0`, ""},
	{19, "vol. 1 6.2.1", "syst:version?", `1999\.0`, ""},
	{20, "vol. 1 6.2.1", "SYSTE:VERS?", "", "-113"},
	{20, "vol. 1 6.2.1", "SYST:VERSIO?", "", "-113"},
	{21, "vol. 2 21.8.8", "SYST:ERR?", fine, ""},
	{21, "vol. 2 21.8.8", "SYST:ERR:NEXT?", fine, ""},
	{22, "vol. 1 6.2.4", "SYST:ERR?;VERS?", fine + `;1999\.0`, ""},
	{23, "vol. 1 6.2.4", "SYST:ERR?;:SYST:VERS?", fine + `;1999\.0`, ""},
	{24, "vol. 1 6.2.4", "SYST:VERS?;*OPC?;ERR?", `1999\.0;1;` + fine, ""},
	{25, "vol. 1 6.2.4", "SYST:ERR?;SYST:VERS?", fine, "-113"},
	{26, "vol. 2 21.8.6", "SYST:ERR:NEXT?;COUN?", fine + ";0", ""},
	{27, "488.2 7.6.1", "SYST :VERS?", "", "-1xx"},
	{28, "488.2 7.6.1", "SYST::VERS?", "", "-1xx"},
	{29, "vol. 2 21.8 -101", "SETUP&", "", "-101"},
	{30, "488.2 7.6.1.4.1", "ABCDEFGHIJKLM:X", "", "-112"},
	{31, "vol. 1 6.2.5.2", "TRIG2:SOUR BUS", "", "-114"},
	{32, "488.2 7.7.5", `TEST:TEXT "a""b";TEXT?`, `"a""b"`, ""},
	{33, "488.2 7.7.5", `TEST:TEXT 'a''b';TEXT?`, `"a'b"`, ""},
	{34, "vol. 2 21.8 -151", `TEST:TEXT "abc`, "", "-151"},
	{35, "488.2 7.7.5", `TEST:TEXT "a;b";*OPC?`, "1", ""},
	{36, "vol. 1 7.3", "TEST:BOOL ON;BOOL?", "1", ""},
	{36, "vol. 1 7.3", "TEST:BOOL 2;BOOL?", "1", ""},
	{36, "vol. 1 7.3", "TEST:BOOL ON;BOOL -0.4;BOOL?", "0", ""},
	{37, "vol. 1 7.3", "TEST:BOOL MAYBE", "", "-141"},
	{38, "vol. 2 21.8 -224", "TEST:CHOICE? FOO", "", "-224"},
	{39, "488.2 7.7.6", "TEST:ARB? #15ABCDE", "#15ABCDE", ""},
	{40, "488.2 7.7.6, 8.7.9", "TEST:ARB? #3003ABC", "#13ABC", ""},
	{41, "488.2 7.7.6", "TEST:ARB? #15A\nB\nC", "#15A\nB\nC", ""},
	{44, "vol. 1 8.3.2", "TEST:CHAN (@1,2:4);CHAN?", channelText("1 2 3 4"), ""},
	{45, "vol. 1 8.3.2", "TEST:CHAN (@1!2:3!4,5);CHAN?", channelText(product), ""},
	{46, "vol. 2 21.8 -171", "TEST:CHAN (@1,2:4", "", "-171"},
	{47, "vol. 2 21.8 -171", "TEST:CHAN (1,2)", "", "-171"},
	{48, "488.2 7.7.3", "FREQ:CENT 1.8425 GHZ;CENT?", `1\.8425E\+09`, ""},
	{49, "488.2 7.7.3", "FREQ:CENT 5 MHZ;CENT?", `5E\+06`, ""},
	{49, "488.2 7.7.3", "FREQ:CENT 5 MAHZ;CENT?", `5E\+06`, ""},
	{50, "488.2 7.7.3", "CURR 5 MA;CURR?", `5E-03`, ""},
	{50, "488.2 7.7.3", "VOLT 5 MAV", "", "-222"},
	{51, "vol. 2 21.8 -131", "POW -10 DBM;POW?", `-1E\+01`, ""},
	{51, "vol. 2 21.8 -131", "POW 1 V", "", "-131"},
	{52, "vol. 1 7.2.1.2", "FREQ:CENT? MAX", `6E\+09`, ""},
	{53, "vol. 1 7.2.1.2", "SYST:TIME? MAX", "", "-109"},
	{53, "vol. 1 7.2.1.2", "SYST:TIME? MAX,MAX,MAX", "23,59,60", ""},
	{54, "488.2 7.7.2.4.1", "*ESE 1e33000", "", "-123"},
	{55, "488.2 7.7.2.4.1", "*ESE 1." + strings.Repeat("0", 23) + "1;*ESE?", "1", ""},
	{55, "488.2 7.7.2.4.1", "*ESE 1." + strings.Repeat("0", 255), "", "-124"},
	{58, "488.2 10.18", "*OPC;*ESR?;*ESR?", "1;0", ""},
	{59, "488.2 10.3", "*XYZ;*CLS;*ESR?;SYST:ERR:COUN?", "0;0", ""},
	{61, "vol. 2 20.1.3", "STAT:QUES:ENAB 65535;ENAB?", "32767", ""},
	{62, "vol. 2 20.2", "STAT:QUES:ENAB 5;:STAT:PRES;:STAT:QUES:ENAB?", "0", ""},
	{63, "vol. 2 20.1.4", "STAT:OPER:PTR 8;:TEST:OPER:COND 8;:STAT:OPER?;:STAT:OPER?;:STAT:OPER:COND?", "8;0;8", ""},
	{64, "vol. 2 20.1.6", "STAT:OPER:PTR 0;NTR 8;:TEST:OPER:COND 8;:STAT:OPER?;:TEST:OPER:COND 0;:STAT:OPER?", "0;8", ""},
	{65, "vol. 2 21.8 -213", "INIT;INIT", "", "-213"},
	{71, "vol. 2 chapter 3", "INIT;:CONF:VOLT;:FETC:VOLT?", "", "-230"},
	{78, "488.2 6.1.6", "*OPC?;FOO;*OPC?", "1;1", "-113"},
	{79, "488.2 7.3", ";;*OPC?;", "1", ""},
	{80, "vol. 2 21.8.1", "*XYZ;SYST:ERR?", `-113,"Undefined header;\*XYZ"`, ""},
	// As printed, BORD stands at the root: a default node that is left out is no part
	// of the path (vol. 1, 6.2.4). The answer is right all the same.
	{83, "vol. 2 chapter 9", "FORM REAL,32;BORD NORM;:TRAC? TRACE1", "#212\xc1\\(\x00\x00\x40\x00\x00\x00\x7e\x95\x1b\xee", "-113"},
	{83, "vol. 2 chapter 9", "FORM:DATA REAL,32;BORD NORM;:TRAC? TRACE1", "#212\xc1\\(\x00\x00\x40\x00\x00\x00\x7e\x95\x1b\xee", ""},
	{84, "vol. 2 chapter 9, vol. 1 7.2.1.5", "FORM ASC;:TRAC? TRACE1", `-1\.05E\+01,2E\+00,9\.91E\+37`, ""},
	{85, "vol. 2 ROUTe", "ROUT:CLOS (@1,3);CLOS? (@1:3)", "1,0,1", ""},
}

// channelText is how the test instrument writes a channel list.
func channelText(list string) string {
	return regexp.QuoteMeta("[[" + strings.ReplaceAll(strings.ReplaceAll(list, " ", "] ["), "!", " ") + "]]")
}

func TestVectors(t *testing.T) {
	t.Parallel()
	seen := map[int]bool{}
	for _, v := range vectors {
		seen[v.number] = true
		t.Run(fmt.Sprint(v.number), func(t *testing.T) {
			c := serveTestInstrument(t, WireConfig{}).dial(t)
			c.send("*CLS")
			if v.want == "" {
				c.send(v.message)
			} else if got := c.ask(v.message); !regexp.MustCompile("^(?s:" + bytewise(v.want) + ")$").MatchString(bytewise(got)) {
				t.Errorf("%s: %q answered %q, want %s", v.clause, v.message, got, v.want)
			}
			if left := errorNumbers(t, c.ask("SYST:ERR:ALL?")); !fits(left, v.left) {
				t.Errorf("%s: %q left errors %q, want %q", v.clause, v.message, left, v.left)
			}
		})
	}
	for n, run := range longVectors {
		if seen[n] {
			t.Errorf("vector %d is in both tables", n)
		}
		seen[n] = true
		t.Run(fmt.Sprint(n), run)
	}
	for n := 1; n <= 85; n++ {
		if !seen[n] {
			t.Errorf("vector %d is not tested", n)
		}
	}
}

// bytewise makes a string of one character for each byte, so that expressions
// may hold bytes that are no UTF-8.
func bytewise(s string) string {
	var b strings.Builder
	for i := range len(s) {
		b.WriteRune(rune(s[i]))
	}
	return b.String()
}

var entry = regexp.MustCompile(`(-?\d+),"(?:[^"]|"")*"`)

// errorNumbers lists the numbers of error queue entries, none for "no error".
func errorNumbers(t *testing.T, all string) string {
	t.Helper()
	var numbers []string
	for _, e := range entry.FindAllStringSubmatch(all, -1) {
		if e[1] != "0" {
			numbers = append(numbers, e[1])
		}
	}
	if entry.ReplaceAllString(all, "") != strings.Repeat(",", max(len(numbers), 1)-1) {
		t.Errorf("%q is no list of errors", all)
	}
	return strings.Join(numbers, " ")
}

// fits compares one number with a number or a class such as "-1xx".
func fits(got, want string) bool {
	class, ok := strings.CutSuffix(want, "xx")
	if !ok {
		return got == want
	}
	n, err := strconv.Atoi(got)
	return err == nil && strconv.Itoa(n/100) == class
}
