package scpi_test

import (
	"bufio"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

// BenchmarkGuardGap measures how long after its guard has permitted a message the
// message is with the instrument: the time in which a process that is stopped can
// still send one message when it goes on. The clock is stopped where the peer has read,
// so that the figures are upper bounds.
func BenchmarkGuardGap(b *testing.B) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	arrived := make(chan time.Time, 1)
	go func() {
		conn, err := l.Accept()
		if err != nil {
			return
		}
		defer conn.Close()
		for in := bufio.NewReader(conn); ; {
			line, err := in.ReadString('\n')
			if err != nil {
				return
			}
			answer := strings.Repeat("0;", strings.Count(line, "?")) + "\n"
			if !strings.Contains(line, "IDN") {
				arrived <- time.Now()
			} else {
				answer = "0;a,b,c,d;\n"
			}
			if _, err := conn.Write([]byte(strings.Replace(answer, ";\n", "\n", 1))); err != nil {
				return
			}
		}
	}()
	resource, err := scpi.ParseResource("TCPIP::127.0.0.1::" + l.Addr().String()[len("127.0.0.1:"):] + "::SOCKET")
	if err != nil {
		b.Fatal(err)
	}
	var permitted time.Time
	s, err := scpi.Dial(b.Context(), resource, scpi.Config{Guard: func() error {
		permitted = time.Now()
		return nil
	}})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	var gaps []time.Duration
	for b.Loop() {
		if _, err := s.Query(b.Context(), ":A?"); err != nil {
			b.Fatal(err)
		}
		for len(arrived) > 0 {
			gaps = append(gaps, (<-arrived).Sub(permitted))
		}
	}
	slices.Sort(gaps)
	for name, at := range map[string]int{"p50-µs": len(gaps) / 2, "p99-µs": len(gaps) * 99 / 100, "max-µs": len(gaps) - 1} {
		b.ReportMetric(float64(gaps[at].Nanoseconds())/1e3, name)
	}
}
