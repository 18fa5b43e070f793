package scpi_test

import (
	"bufio"
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
)

// responder answers lines until the client goes: what it does for ":A?" is the
// bare echo both figures of a benchmark are compared over.
// Answers come after delay, as over a network.
func responder(b *testing.B, block []byte, delay time.Duration) string {
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
			go respond(conn, block, delay)
		}
	}()
	return listener.Addr().String()
}

var frequency = []byte("1.842500000E9\n")

func respond(conn net.Conn, block []byte, delay time.Duration) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	echo := echoing()
	var answers []byte // to what has arrived together
	for {
		line, err := r.ReadSlice('\n')
		if err != nil {
			return
		}
		answer := frequency
		switch {
		case line[0] == '*':
			answer = []byte(echo(string(line)))
		case strings.HasPrefix(string(line), ":TRAC"):
			answer = block
		}
		if answers = append(answers, answer...); r.Buffered() > 0 {
			continue
		}
		if delay > 0 {
			late := bytes.Clone(answers)
			time.AfterFunc(delay, func() { _, _ = conn.Write(late) }) // fails when the client has gone, as the next read will
		} else if _, err := conn.Write(answers); err != nil {
			return
		}
		answers = answers[:0]
	}
}

func connectBoth(b *testing.B, block []byte, delay time.Duration) (*scpi.Session, net.Conn) {
	address := responder(b, block, delay)
	host, port, err := net.SplitHostPort(address)
	if err != nil {
		b.Fatal(err)
	}
	resource, err := scpi.ParseResource(fmt.Sprintf("TCPIP::%s::%s::SOCKET", host, port))
	if err != nil {
		b.Fatal(err)
	}
	s, err := scpi.Dial(b.Context(), resource, scpi.Config{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	bare, err := net.Dial("tcp", address)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { bare.Close() })
	return s, bare
}

// median returns the middle of some figures.
func median[T cmp.Ordered](figures []T) T {
	sorted := slices.Sorted(slices.Values(figures))
	return sorted[len(sorted)/2]
}

// compare reports how many times longer ours took than theirs and fails where that
// is beyond limit. The samples were taken in turns; the ratio is the median of those
// of five rounds, so that what else the machine does in one of them is not held
// against it. A run with few samples only reports.
func compare(b *testing.B, unit string, limit float64, ours, theirs []time.Duration) {
	b.Helper()
	const rounds, enough = 5, 50
	var ratios []float64
	for i := range rounds {
		from, to := i*len(ours)/rounds, (i+1)*len(ours)/rounds
		if from < to {
			ratios = append(ratios, float64(median(ours[from:to]))/float64(median(theirs[from:to])))
		}
	}
	ratio := median(ratios)
	b.ReportMetric(float64(median(ours)), "p50-ns")
	b.ReportMetric(ratio, unit)
	if ratio > limit && len(ours) >= enough {
		b.Errorf("%.2f %s, limit %g; rounds %.2f", ratio, unit, limit, ratios)
	}
}

func timed(f func()) time.Duration {
	start := time.Now()
	f()
	return time.Since(start)
}

// BenchmarkQuery compares one query with a bare write and read of the same
// bytes on the same kind of connection, taken in turns.
func BenchmarkQuery(b *testing.B) {
	s, bare := connectBoth(b, nil, 0)
	ctx, cancel := context.WithTimeout(b.Context(), time.Hour)
	defer cancel()
	buf := make([]byte, 64)
	question := []byte(":FREQ?\n")
	var ours, theirs []time.Duration
	for b.Loop() {
		ours = append(ours, timed(func() {
			if _, err := s.QueryNumber(ctx, ":FREQ?"); err != nil {
				b.Fatal(err)
			}
		}))
		theirs = append(theirs, timed(func() {
			if _, err := bare.Write(question); err != nil {
				b.Fatal(err)
			}
			if _, err := bare.Read(buf); err != nil {
				b.Fatal(err)
			}
		}))
	}
	compare(b, "x-bare-tcp", 1.3, ours, theirs)
}

// BenchmarkPipeline compares 20 queries asked ahead of their answers with one, on
// the loopback interface and 0.5 ms away: a local network has round trips of 0.2
// to 1 ms (common practice, no source).
func BenchmarkPipeline(b *testing.B) {
	for name, delay := range map[string]time.Duration{"loopback": 0, "network": 500 * time.Microsecond} {
		b.Run(name, func(b *testing.B) { pipelineAgainstOne(b, delay) })
	}
}

func pipelineAgainstOne(b *testing.B, delay time.Duration) {
	s, _ := connectBoth(b, nil, delay)
	ctx, cancel := context.WithTimeout(b.Context(), time.Hour)
	defer cancel()
	queries := slices.Repeat([]string{":FREQ?"}, 20)
	var many, one []time.Duration
	for b.Loop() {
		many = append(many, timed(func() {
			if got, err := s.Pipeline(ctx, queries...); err != nil || len(got) != len(queries) {
				b.Fatal(got, err)
			}
		}))
		one = append(one, timed(func() {
			if _, err := s.Query(ctx, ":FREQ?"); err != nil {
				b.Fatal(err)
			}
		}))
	}
	compare(b, "x-one-query", 3, many, one)
}

// BenchmarkBlock compares reading a block of 4 MB and decoding it with a bare
// read of the same bytes into memory that is allocated once.
func BenchmarkBlock(b *testing.B) {
	const size = 4 << 20
	block := append(scpi.AppendBlock(nil, make([]byte, size)), '\n')
	s, bare := connectBoth(b, block, 0)
	buf, xs := make([]byte, len(block)), make([]float64, 0, size/4)
	b.SetBytes(2 * int64(len(block)))
	var ours, theirs []time.Duration
	for b.Loop() {
		ours = append(ours, timed(func() {
			if got, err := s.QueryReal32(b.Context(), xs, ":TRAC?"); err != nil || len(got) != size/4 {
				b.Fatal(len(got), err)
			}
		}))
		theirs = append(theirs, timed(func() {
			if _, err := bare.Write([]byte(":TRAC?\n")); err != nil {
				b.Fatal(err)
			}
			if _, err := io.ReadFull(bare, buf); err != nil {
				b.Fatal(err)
			}
		}))
	}
	compare(b, "x-bare-tcp", 1.6, ours, theirs)
}
