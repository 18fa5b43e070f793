package scpi_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

// responder answers lines until the client goes: what it does for ":A?" is the
// bare echo both figures of a benchmark are compared over.
func responder(b *testing.B, block []byte) string {
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
			go respond(conn, block)
		}
	}()
	return listener.Addr().String()
}

func respond(conn net.Conn, block []byte) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	for {
		line, err := r.ReadSlice('\n')
		if err != nil {
			return
		}
		answer := []byte("1.842500000E9\n")
		switch {
		case strings.HasPrefix(string(line), "*ESR"):
			answer = []byte("0;" + Identity + "\n")
		case strings.HasPrefix(string(line), ":TRAC"):
			answer = block
		}
		if _, err := conn.Write(answer); err != nil {
			return
		}
	}
}

func connectBoth(b *testing.B, block []byte) (*scpi.Session, net.Conn) {
	address := responder(b, block)
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

// median returns the middle of the durations of f run n times.
func median(times []time.Duration) float64 {
	slices.Sort(times)
	return float64(times[len(times)/2])
}

func timed(f func()) time.Duration {
	start := time.Now()
	f()
	return time.Since(start)
}

// BenchmarkQuery compares one query with a bare write and read of the same
// bytes on the same kind of connection, taken in turns.
func BenchmarkQuery(b *testing.B) {
	s, bare := connectBoth(b, nil)
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
	b.ReportMetric(median(ours), "p50-ns")
	b.ReportMetric(median(ours)/median(theirs), "x-bare-tcp")
}

// BenchmarkBlock compares reading a block of 4 MB with a bare read of the same
// bytes into memory that is allocated once.
func BenchmarkBlock(b *testing.B) {
	const size = 4 << 20
	block := append(scpi.AppendBlock(nil, make([]byte, size)), '\n')
	s, bare := connectBoth(b, block)
	buf := make([]byte, len(block))
	b.SetBytes(2 * int64(len(block)))
	var ours, theirs []time.Duration
	for b.Loop() {
		ours = append(ours, timed(func() {
			if payload, err := s.QueryBlock(b.Context(), ":TRAC?"); err != nil || len(payload) != size {
				b.Fatal(len(payload), err)
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
	b.ReportMetric(median(ours), "p50-ns")
	b.ReportMetric(median(ours)/median(theirs), "x-bare-tcp")
}
