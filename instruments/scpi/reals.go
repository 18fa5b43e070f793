package scpi

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
)

// sink takes the n bytes of a block from r while they arrive.
type sink func(r *bufio.Reader, n int) error

// taken is what stands in a response for a block that went into a sink. It is
// what a transcript shows of blocks.
func taken(n int) string { return fmt.Sprintf("#<%d bytes>", n) }

// QueryReal32 appends the numbers of an answer that is one block of REAL,32 in
// normal byte order to dst (see DecodeReal32). They are decoded while they
// arrive, so that a long trace is never held twice. On an error dst is returned
// as it was.
func (s *Session) QueryReal32(ctx context.Context, dst []float64, query string) ([]float64, error) {
	xs, blocks, bytes := dst, 0, 0
	m, err := compose([]string{query}, s.config.MaxMessage)
	if err == nil && m[0].queries == 0 {
		err = fmt.Errorf("scpi: %.40q is a command, want a query", query)
	}
	if err != nil {
		return dst, unsent(err)
	}
	m[0].sink = func(r *bufio.Reader, n int) (err error) {
		blocks++
		bytes = n
		xs, err = readReal32(xs, r, n)
		return err
	}
	if err := s.acquire(ctx); err != nil {
		return dst, unsent(err)
	}
	defer s.release()
	answers, err := s.exchange(ctx, 0, m)
	if err != nil {
		return dst, err
	}
	if blocks == 1 && string(answers[0]) == taken(bytes) {
		return xs, nil
	}
	payload, err := s.block(answers[0]) // HiSLIP brings it whole
	if err == nil {
		var decoded []float64
		if decoded, err = DecodeReal32(payload); err == nil {
			return append(dst, decoded...), nil
		}
		err = fmt.Errorf("%w: %w", ErrAnswer, err)
	}
	s.suspect = fmt.Errorf("scpi: %s: %.80q: %w", s.resource, strings.TrimSpace(query), err)
	s.note("%v", s.suspect)
	return dst, sent(s.suspect)
}

// readReal32 appends n bytes of numbers to xs.
func readReal32(xs []float64, r *bufio.Reader, n int) ([]float64, error) {
	if n%4 != 0 {
		return xs, fmt.Errorf("%w: %d bytes are no whole number of 4-byte reals", ErrAnswer, n)
	}
	xs = slices.Grow(xs, min(n/4, 1<<20)) // an instrument's word for more is not enough to allocate it
	for n > 0 {
		if _, err := r.Peek(4); err != nil {
			return xs, err
		}
		b, _ := r.Peek(min(n, r.Buffered()) &^ 3)
		xs = appendReal32(xs, b)
		n -= len(b)
		if _, err := r.Discard(len(b)); err != nil {
			return xs, err
		}
	}
	return xs, nil
}

// appendReal32 appends the numbers of b, whose length is a multiple of four.
func appendReal32(xs []float64, b []byte) []float64 {
	start := len(xs)
	xs = slices.Grow(xs, len(b)/4)[:start+len(b)/4]
	out := xs[start:]
	for len(b) >= 16 && len(out) >= 4 { // two words at a time: half again as fast as one number
		x, y := binary.BigEndian.Uint64(b), binary.BigEndian.Uint64(b[8:])
		out[0], out[1] = float64(math.Float32frombits(uint32(x>>32))), float64(math.Float32frombits(uint32(x)))
		out[2], out[3] = float64(math.Float32frombits(uint32(y>>32))), float64(math.Float32frombits(uint32(y)))
		b, out = b[16:], out[4:]
	}
	for i := range out {
		out[i] = float64(math.Float32frombits(binary.BigEndian.Uint32(b[4*i:])))
	}
	return xs
}
