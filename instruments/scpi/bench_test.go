package scpi_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"slices"
	"testing"
	"time"

	"benchyard/instruments/scpi"
	. "benchyard/instruments/scpi/scpitest"
)

// responder answers lines until the client goes: what it does for ":A?" is the
// bare echo both figures of a benchmark are compared over.
// Answers come after delay, as over a network.
func responder(b *testing.B, delay time.Duration) string {
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
			go respond(conn, delay)
		}
	}()
	return listener.Addr().String()
}

var frequency = []byte("1.842500000E9\n")

func respond(conn net.Conn, delay time.Duration) {
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
		if line[0] == '*' {
			answer = []byte(echo(string(line)))
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

func connectBoth(b *testing.B, delay time.Duration) (*scpi.Session, net.Conn) {
	address := responder(b, delay)
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

// BenchmarkQuery compares one query with a bare write and read of the same
// bytes on the same kind of connection, taken in turns.
func BenchmarkQuery(b *testing.B) {
	s, bare := connectBoth(b, 0)
	ctx, cancel := context.WithTimeout(b.Context(), time.Hour)
	defer cancel()
	buf := make([]byte, 64)
	question := []byte(":FREQ?\n")
	var c Comparison
	for b.Loop() {
		c.Take(func() {
			if _, err := s.QueryNumber(ctx, ":FREQ?"); err != nil {
				b.Fatal(err)
			}
		}, func() {
			if _, err := bare.Write(question); err != nil {
				b.Fatal(err)
			}
			if _, err := bare.Read(buf); err != nil {
				b.Fatal(err)
			}
		})
	}
	c.Report(b, "x-bare-tcp", 1.3)
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
	s, _ := connectBoth(b, delay)
	ctx, cancel := context.WithTimeout(b.Context(), time.Hour)
	defer cancel()
	queries := slices.Repeat([]string{":FREQ?"}, 20)
	var c Comparison
	for b.Loop() {
		c.Take(func() {
			if got, err := s.Pipeline(ctx, queries...); err != nil || len(got) != len(queries) {
				b.Fatal(got, err)
			}
		}, func() {
			if _, err := s.Query(ctx, ":FREQ?"); err != nil {
				b.Fatal(err)
			}
		})
	}
	c.Report(b, "x-one-query", 3)
}
