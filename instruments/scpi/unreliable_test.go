package scpi_test

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	"benchyard/instruments/scpi/hislip"
	. "benchyard/instruments/scpi/scpitest"
)

// unreliable is an instrument that carries out every message in order and
// answers late, twice, in pieces, wrongly or not at all, as a seed has it. It
// serves one connection at a time; others wait, or on HiSLIP take its place.
type unreliable struct {
	port   int
	device string // on HiSLIP
	bent   int    // see fault
	calm   bool

	mu     sync.Mutex
	random *rand.Rand
	tags   map[string]bool // of the commands received
	output bool
	ese    string
	late   string // answers held back until the next message
}

// The connections of an unreliable instrument.
const (
	bareSocket   = "socket"
	synchronized = "HiSLIP, synchronized"
	overlapped   = "HiSLIP, overlapped"
)

// serveUnreliable starts the instrument; it ends with the test.
func serveUnreliable(t *testing.T, seed uint64, over string) *unreliable {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	u := &unreliable{
		port: listener.Addr().(*net.TCPAddr).Port, random: rand.New(rand.NewPCG(seed, 1)), tags: map[string]bool{},
	}
	if over != bareSocket {
		u.device = "hislip0"
	}
	served := make(chan struct{})
	go func() {
		defer close(served)
		if over != bareSocket {
			u.serveHiSLIP(listener, map[string]byte{synchronized: hislip.Synchronized, overlapped: hislip.Overlapped}[over])
			return
		}
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			u.serve(conn.(*net.TCPConn))
		}
	}()
	t.Cleanup(func() {
		if err := listener.Close(); err != nil {
			t.Error(err)
		}
		<-served // also proves that the session left no connection open
	})
	return u
}

func (u *unreliable) serve(conn *net.TCPConn) {
	defer conn.Close()
	u.late, u.calm = "", !u.calm
	for r := bufio.NewReader(conn); ; {
		line, err := scpi.ReadMessage(r, 1000)
		if err != nil {
			return
		}
		units, err := scpi.ParseMessage(line)
		if err != nil || !u.send(conn, u.carryOut(units)) {
			return
		}
	}
}

// carryOut returns the right answer.
func (u *unreliable) carryOut(units []scpi.Unit) string {
	u.mu.Lock()
	defer u.mu.Unlock()
	var answers []string
	echoes := 0
	for _, unit := range units {
		answer := ""
		switch {
		case unit.Header == ":ECHO":
			answer = string(unit.Params[0])
		case unit.Header == ":TRAC":
			answer = string(scpi.AppendBlock(nil, payload(string(unit.Params[0]))))
		case unit.Header == ":OUTP" && unit.Query:
			answer = map[bool]string{true: "1", false: "0"}[u.output]
		case unit.Header == ":OUTP":
			u.output = string(unit.Params[0]) == "ON"
		case unit.Header == ":TAG":
			u.tags[string(unit.Params[0])] = true
		case unit.Header == "*ESE" && !unit.Query:
			u.ese = string(unit.Params[0])
		default:
			answer = map[string]string{"*ESE": u.ese, "*ESR": "0", "*IDN": Identity, "*OPC": "1", ":SYST:ERR": NoError}[unit.Header]
		}
		if unit.Query {
			answers = append(answers, answer)
		}
		if unit.Header == "*ESE" && unit.Query {
			echoes++
		}
	}
	if echoes > 1 {
		u.bent = 0
	}
	return strings.Join(answers, ";")
}

// The faults that make more answers of some, and fewer, on either transport.
const (
	answersMore   = 2
	answersLeast  = 3
	answersFewest = 12
)

// fault draws one of n, the first of which are faults and the others none; most are
// none on every other connection. Between two echoes it does not lose an answer as well as repeat one: Pipeline cannot find that
// out, and says so.
func (u *unreliable) fault(n int) int {
	what := u.random.IntN(n)
	if u.calm && u.random.IntN(8) > 0 {
		return n
	}
	bends := 0
	switch {
	case what == answersMore:
		bends = 1
	case what >= answersLeast && what <= answersFewest:
		bends = -1
	}
	if bends*u.bent < 0 {
		return n
	}
	u.bent += bends
	return what
}

// payload is the block for a question, full of what ends lines and units.
func payload(question string) []byte { return []byte(strings.Repeat(question+"\n;#12,\"", 20)) }

// send sends an answer well or badly, and reports whether to go on.
func (u *unreliable) send(conn *net.TCPConn, answer string) bool {
	if answer == "" {
		return true
	}
	text := u.late + answer + "\n"
	u.late = ""
	what := u.fault(30)
	switch what {
	case 0, 1: // late, behind the next message
		u.late = text
		return true
	case 2: // twice
		text += answer + "\n"
	case 3: // never
		return true
	case 4: // cut short
		text = text[:u.random.IntN(len(text))]
	case 5: // in two parts, one of them late
		at := u.random.IntN(len(text))
		text, u.late = text[:at], text[at:]
	case 6: // much too late
		time.Sleep(time.Duration(u.random.IntN(80)) * time.Millisecond)
	case 7: // a block that says it is longer, shorter, giant, endless, nonsense
		text = []string{"#3900", "#12", "#9999999999", "#0", "#2x"}[u.random.IntN(5)] + text
	case 8: // something else
		text = []string{"9.91E37", "nan", "1,5", "", `"a`, "\xe9\x00", ";", "1;1;1;1;1"}[u.random.IntN(8)] + "\n"
	case 9: // padded
		text = strings.ReplaceAll(text, "\n", "\r\n\x00")
	case 10: // without end
		text = strings.Repeat("7", 64<<10)
	}
	size := len(text)
	if what == 11 {
		size = 1
	}
	for part := range slices.Chunk([]byte(text), max(size, 1)) {
		if _, err := conn.Write(part); err != nil {
			return false
		}
	}
	switch what {
	case 12:
		return false
	case 13:
		_ = conn.SetLinger(0) // fails only where the connection is gone already
		return false
	case 14:
		_ = conn.CloseWrite() // the same
	}
	return true
}

func (u *unreliable) resource() scpi.Resource {
	return scpi.Resource{Host: "127.0.0.1", Port: u.port, HiSLIP: u.device}
}

// state returns whether the output is on, and whether the command with a tag came.
func (u *unreliable) state(tag int) (output, came bool) {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.output, u.tags[fmt.Sprint(tag)]
}
