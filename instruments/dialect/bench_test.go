package dialect_test

import (
	"bufio"
	"io"
	"net"
	"strings"
	"testing"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

const (
	before = ":STAT:QUES:COND?;:ROSC:LOCK?;:SYST:ERR?;:FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?;:POW:ATT?;:BAND?"
	told   = "0;1;" + NoError + ";1E9;1.01E9;1048576;12;100000"
)

// answering plays an analyzer to everybody who connects, with an answer that is
// made beforehand.
func answering(b *testing.B, answer []byte) *net.TCPAddr {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { listener.Close() })
	go func() {
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go answerAll(conn, answer)
		}
	}()
	return listener.Addr().(*net.TCPAddr)
}

func answerAll(conn net.Conn, answer []byte) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	for {
		line, err := r.ReadSlice('\n')
		if err != nil {
			return
		}
		next := answer
		if line[0] == '*' {
			next = []byte("0;" + Identity + "\n")
		}
		if _, err := conn.Write(next); err != nil {
			return
		}
	}
}

// BenchmarkFetch compares how drivers fetch a trace of 4 MB, with what the analyzer
// tells of it in the same message, with a bare write and read of the same bytes. Both
// bring it into memory that is allocated once.
func BenchmarkFetch(b *testing.B) {
	const points = 1 << 20
	answer := append(scpi.AppendBlock([]byte(told+";"), make([]byte, 4*points)), '\n')
	address := answering(b, answer)
	s, err := scpi.Dial(b.Context(), scpi.Resource{Host: address.IP.String(), Port: address.Port}, scpi.Config{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	bare, err := net.DialTCP("tcp", nil, address)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { bare.Close() })
	line := dialect.Line{Session: s, Table: dialect.Standard("analyzer")}
	units := strings.Split(before, ";")
	question := []byte(before + ";:TRAC? TRACE1\n")
	levels, buf := make([]float64, 0, points), make([]byte, len(answer))
	var c Comparison
	b.SetBytes(2 * int64(len(answer)))
	for b.Loop() {
		c.Take(func() {
			if got, err := line.Fetch(b.Context(), "trace", levels, units...); err != nil || got.Err != nil || len(got.Numbers) != points || len(got.Answers) != len(units) {
				b.Fatal(len(got.Numbers), got.Err, err)
			}
		}, func() {
			if _, err := bare.Write(question); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(bare, buf); err != nil {
				b.Fatal(err)
			}
		})
	}
	c.Report(b, "x-bare-tcp", 1.6)
}
