package scpi

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"slices"
)

// RealFormat is how the numbers of a block are laid out (FORMat:DATA REAL and
// FORMat:BORDer of SCPI-1999 vol. 2). The zero value is REAL,32, most significant
// byte first.
type RealFormat struct {
	Double  bool // REAL,64
	Swapped bool // least significant byte first
}

// Size returns the bytes of one number.
func (f RealFormat) Size() int {
	if f.Double {
		return 8
	}
	return 4
}

// Decode decodes the payload of a block. NaN and infinities come through as they
// are: whether a point is a measured number is the caller's question. A length
// that is no whole number of numbers is an error.
func (f RealFormat) Decode(payload []byte) ([]float64, error) {
	if len(payload)%f.Size() != 0 {
		return nil, fmt.Errorf("scpi: %d bytes are no whole number of %d-byte reals", len(payload), f.Size())
	}
	return f.decode(make([]float64, 0, len(payload)/f.Size()), payload), nil
}

// decode appends the numbers of b, which holds whole ones.
func (f RealFormat) decode(xs []float64, b []byte) []float64 {
	start, n := len(xs), len(b)/f.Size()
	xs = slices.Grow(xs, n)[:start+n]
	out := xs[start:]
	var order binary.ByteOrder = binary.BigEndian
	switch {
	case f == RealFormat{}:
		decodeReal32(out, b)
		return xs
	case f.Swapped:
		order = binary.LittleEndian
	}
	for i := range out {
		if f.Double {
			out[i] = math.Float64frombits(order.Uint64(b[8*i:]))
		} else {
			out[i] = float64(math.Float32frombits(order.Uint32(b[4*i:])))
		}
	}
	return xs
}

// decodeReal32 is the format that long traces come in.
func decodeReal32(out []float64, b []byte) {
	for len(b) >= 16 && len(out) >= 4 { // two words at a time: half again as fast as one number
		x, y := binary.BigEndian.Uint64(b), binary.BigEndian.Uint64(b[8:])
		out[0], out[1] = float64(math.Float32frombits(uint32(x>>32))), float64(math.Float32frombits(uint32(x)))
		out[2], out[3] = float64(math.Float32frombits(uint32(y>>32))), float64(math.Float32frombits(uint32(y)))
		b, out = b[16:], out[4:]
	}
	for i := range out {
		out[i] = float64(math.Float32frombits(binary.BigEndian.Uint32(b[4*i:])))
	}
}

// sink takes the n bytes of a block from r while they arrive. One that reports
// false has read nothing: the block then becomes part of the response.
type sink func(r *bufio.Reader, n int) (taken bool, err error)

// taken is what stands in a response for a block that went into a sink. It is
// what a transcript shows of blocks.
func taken(n int) string { return fmt.Sprintf("#<%d bytes>", n) }

// collector is a sink for the numbers of the first block of a response.
type collector struct {
	format RealFormat
	xs     []float64 // to which they are appended
	full   bool      // a block was taken
	bytes  int       // its length
}

func (c *collector) take(r *bufio.Reader, n int) (bool, error) {
	if c.full || n%c.format.Size() != 0 {
		return false, nil
	}
	c.full, c.bytes = true, n
	var err error
	c.xs, err = c.format.read(c.xs, r, n)
	return true, err
}

// holds reports whether the block that was taken is all of the last answer.
func (c *collector) holds(answers [][]byte) bool {
	if !c.full {
		return false
	}
	mark := []byte(taken(c.bytes))
	last := len(answers) - 1
	// An instrument may have sent the mark itself: then nobody knows which is ours.
	another := slices.ContainsFunc(answers[:last], func(a []byte) bool { return bytes.Contains(a, mark) })
	return !another && bytes.Equal(answers[last], mark)
}

// read appends the numbers of n bytes, which are whole ones, while they arrive. What
// has been read of them is still in the processor's cache when it is decoded.
func (f RealFormat) read(xs []float64, r *bufio.Reader, n int) ([]float64, error) {
	const most = 1 << 18
	xs = slices.Grow(xs, min(n/f.Size(), 1<<20)) // an instrument's word for more is not enough to allocate it
	buf, held := make([]byte, min(n, most)), 0
	for n > 0 {
		got, err := r.Read(buf[held:min(len(buf), n)])
		held += got
		whole := held / f.Size() * f.Size()
		xs = f.decode(xs, buf[:whole])
		held = copy(buf, buf[whole:held])
		if n -= whole; err != nil {
			return xs, err
		}
	}
	return xs, nil
}
