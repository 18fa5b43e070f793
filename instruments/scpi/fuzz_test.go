package scpi

import (
	"bufio"
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
)

// seeds are the shapes of program and response messages: strings, blocks, line
// feeds, and each of them cut short.
var seeds = []string{
	"", "*IDN?", "FREQ:CENT 1 GHZ;SPAN 1E6", `T "a;b",'c',#12;,(@1,2)`, "#15A\nBC,;1\r\n", "#9999999999", "#0", "#",
	`-113,"Undefined header;*XYZ"`, "1,2;3", "a,b,c,d", "TCPIP::[::1]::5025::SOCKET", "TCPIP::[::1]::hislip0,81::INSTR", "-1.5E-3 KHZ", "#HFF", "(@1!2:3!4)",
}

func addSeeds(f *testing.F) {
	for _, s := range seeds {
		f.Add([]byte(s))
	}
}

func FuzzParseMessage(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, line []byte) {
		units, err := ParseMessage(line)
		for _, u := range units {
			if u.Header == "" || strings.ContainsAny(u.Header, " \n;,?") {
				t.Fatalf("%q: header %q", line, u.Header)
			}
			MatchHeader("[:SENSe]:FREQuency<n>:STARt|STOP", u.Header)
			Resolve(":A", u.Header)
		}
		if err != nil {
			return
		}
		// What was understood can be written down and is understood as the same again.
		var again []byte
		for _, u := range units {
			again = append(again, u.Header...)
			if u.Query {
				again = append(again, '?')
			}
			again = append(again, ' ')
			again = append(append(again, bytes.Join(u.Params, []byte(","))...), ';')
		}
		second, err := ParseMessage(again)
		if err != nil || show(second) != show(units) {
			t.Fatalf("%q: %s, written as %q: %s, %v", line, show(units), again, show(second), err)
		}
	})
}

func FuzzSplitResponse(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, line []byte) {
		units, err := SplitResponse(line)
		if err != nil {
			return
		}
		for _, u := range units {
			if data, err := SplitData(u); err == nil && !bytes.Equal(bytes.Join(data, []byte(",")), u) {
				t.Fatalf("%q: data %q", u, data)
			}
		}
		if joined := bytes.Join(units, []byte(";")); !bytes.Contains(line, joined) {
			t.Fatalf("%q: units %q", line, units)
		}
	})
}

func FuzzDecodeReal32(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		xs, err := DecodeReal32(b)
		if (err == nil) != (len(b)%4 == 0) {
			t.Fatalf("%d bytes: %v", len(b), err)
		}
		for i, x := range xs {
			if math.IsNaN(x) { // a quiet NaN need not keep its bits
				return
			}
			if got := AppendReal32(nil, xs[i:i+1]); !bytes.Equal(got, b[4*i:4*i+4]) {
				t.Fatalf("%v: bytes %x, want %x", x, got, b[4*i:4*i+4])
			}
		}
	})
}

func FuzzReadResponse(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		const limit = 1 << 10
		r := bufio.NewReader(bytes.NewReader(b))
		for {
			message, err := ReadResponse(r, limit)
			if len(message) > limit || cap(message) > 4*limit {
				t.Fatalf("%d bytes, room for %d, limit %d", len(message), cap(message), limit)
			}
			if err != nil {
				break
			}
			if units, err := SplitResponse(message); err == nil && len(units) == 1 {
				if payload, err := ParseBlock(units[0]); err == nil && len(payload) > len(message) {
					t.Fatalf("payload of %d bytes in a message of %d", len(payload), len(message))
				}
			}
		}
		if _, err := ReadMessage(bufio.NewReader(bytes.NewReader(b)), limit); err == nil && len(b) == 0 {
			t.Fatal("a message out of nothing")
		}
	})
}

func FuzzParseBlock(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		if payload, err := ParseBlock(b); err == nil {
			again, err := ParseBlock(AppendBlock(nil, payload))
			if err != nil || !bytes.Equal(again, payload) {
				t.Fatalf("%q: %q, then %q, %v", b, payload, again, err)
			}
		}
		again, err := ParseBlock(AppendBlock(nil, b))
		if err != nil || !bytes.Equal(again, b) {
			t.Fatalf("%q: came back as %q, %v", b, again, err)
		}
	})
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range seeds {
		f.Add([]byte(s), "HZ")
	}
	f.Fuzz(func(t *testing.T, b []byte, unit string) {
		v, err := ParseNumber(b, unit)
		if err != nil {
			return
		}
		if math.IsNaN(v) || math.IsInf(v, 0) {
			t.Fatalf("%q: %v", b, v)
		}
		if again, err := ParseNumber([]byte(FormatNumber(v)), unit); err != nil || again != v {
			t.Fatalf("%q: %v, then %v, %v", b, v, again, err)
		}
		if _, err := ParseBool(b); err != nil && unit == "" {
			t.Fatalf("%q is a number but no Boolean: %v", b, err)
		}
	})
}

func FuzzParseIdentity(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		if id, err := ParseIdentity(string(b)); err == nil {
			if again, err := ParseIdentity(id.String()); err != nil || again != id {
				t.Fatalf("%q: %+v, then %+v, %v", b, id, again, err)
			}
		}
	})
}

func FuzzParseResource(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		if r, err := ParseResource(string(b)); err == nil {
			if again, err := ParseResource(r.String()); err != nil || again != r {
				t.Fatalf("%q: %+v, then %+v, %v", b, r, again, err)
			}
		}
	})
}

func FuzzParseChannelList(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		if channels, err := ParseChannelList(b); err == nil && (len(channels) == 0 || len(channels) > maxChannels) {
			t.Fatalf("%q: %d channels", b, len(channels))
		}
	})
}

func FuzzParseError(f *testing.F) {
	addSeeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		if e, err := ParseError(string(b)); err == nil && len(e.Text) <= 200 {
			if again, err := ParseError(e.Entry()); err != nil || again != e {
				t.Fatalf("%q: %+v, then %+v, %v", b, e, again, err)
			}
		}
	})
}

// FuzzFramer reads responses of instruments with every habit.
func FuzzFramer(f *testing.F) {
	for i, s := range seeds {
		f.Add([]byte(s+"\n"), i%2 == 0, i%3 == 0, i%5 == 0)
	}
	f.Fuzz(func(t *testing.T, b []byte, carriageReturn, text, bare bool) {
		const limit = 1 << 10
		habits := shape{carriageReturn: carriageReturn, text: text}
		r := bufio.NewReader(bytes.NewReader(b))
		if bare {
			habits.ends = func() bool { return r.Buffered() == 0 }
		}
		for {
			m := framer{r: r, limit: limit, shape: habits}
			message, err := m.read(nil)
			if len(message) > limit {
				t.Fatalf("%d bytes, limit %d", len(message), limit)
			}
			if err != nil {
				break
			}
			units, err := splitResponse(message, text)
			for _, u := range units {
				if err == nil && len(u) > len(message) {
					t.Fatalf("%q: unit %q", message, u)
				}
			}
		}
	})
}

// FuzzReadReals decodes blocks as they come, in chunks of any size, like Decode.
func FuzzReadReals(f *testing.F) {
	f.Add([]byte("abcdefghijklmnopqrstuvwxyz012345"), 16, false, false)
	f.Add([]byte("abcdefghijklmnopqrstuvwxyz012345"), 20, true, true)
	f.Fuzz(func(t *testing.T, b []byte, size int, double, swapped bool) {
		format := RealFormat{Double: double, Swapped: swapped}
		b = b[:len(b)/format.Size()*format.Size()]
		want, err := format.Decode(b)
		if err != nil {
			t.Fatal(err)
		}
		got, err := format.read(nil, bufio.NewReaderSize(bytes.NewReader(b), size%1000), len(b))
		same := func(x, y float64) bool { return math.Float64bits(x) == math.Float64bits(y) }
		if err != nil || !slices.EqualFunc(got, want, same) {
			t.Fatalf("got %v, %v, want %v", got, err, want)
		}
	})
}
