package results

import (
	"fmt"
	"math"
	"sync"

	"github.com/klauspost/compress/zstd"
)

// maxPoints bounds a stored trace: four times the longest trace of one sweep,
// and far above a stitched one over the spurious range at its bandwidths.
const maxPoints = 1 << 24

// The encoder and the decoder are shared: both are safe for concurrent use in
// this form and expensive to make.
var (
	encoder = sync.OnceValues(func() (*zstd.Encoder, error) {
		return zstd.NewWriter(nil, zstd.WithEncoderCRC(true))
	})
	decoder = sync.OnceValues(func() (*zstd.Decoder, error) {
		return zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(4*maxPoints))
	})
)

// encodeLevels packs levels as 32-bit floats, sorted into four planes, least
// significant bytes of all levels first, and compresses them. Neighbours on a
// trace share sign, exponent and leading digits, which the planes lay side by
// side: noise takes two thirds of its room then, and all of it without. A level
// that is no finite 32-bit float is refused.
func encodeLevels(levels []float64) ([]byte, error) {
	if len(levels) > maxPoints {
		return nil, fmt.Errorf("results: trace has %d points, at most %d can be stored", len(levels), maxPoints)
	}
	n := len(levels)
	raw := make([]byte, 4*n)
	for i, v := range levels {
		if math.IsNaN(v) || math.Abs(v) > math.MaxFloat32 {
			return nil, fmt.Errorf("results: trace point %d is %v, not a measured level", i, v)
		}
		bits := math.Float32bits(float32(v))
		raw[i], raw[n+i], raw[2*n+i], raw[3*n+i] = byte(bits), byte(bits>>8), byte(bits>>16), byte(bits>>24)
	}
	e, err := encoder()
	if err != nil {
		return nil, fmt.Errorf("results: compressing a trace: %w", err)
	}
	return e.EncodeAll(raw, nil), nil
}

// decodeLevels is the reverse of encodeLevels for a trace of the given number
// of points.
func decodeLevels(packed []byte, points int) ([]float64, error) {
	if points < 0 || points > maxPoints {
		return nil, fmt.Errorf("results: stored trace of %d points, at most %d are possible", points, maxPoints)
	}
	d, err := decoder()
	if err != nil {
		return nil, fmt.Errorf("results: unpacking a trace: %w", err)
	}
	raw, err := d.DecodeAll(packed, nil)
	if err != nil {
		return nil, fmt.Errorf("results: unpacking a trace: %w", err)
	}
	if len(raw) != 4*points {
		return nil, fmt.Errorf("results: stored trace holds %d bytes, want %d for %d points", len(raw), 4*points, points)
	}
	levels := make([]float64, points)
	for i := range levels {
		bits := uint32(raw[i]) | uint32(raw[points+i])<<8 | uint32(raw[2*points+i])<<16 | uint32(raw[3*points+i])<<24
		levels[i] = float64(math.Float32frombits(bits))
		if math.IsNaN(levels[i]) || math.IsInf(levels[i], 0) {
			return nil, fmt.Errorf("results: point %d of a stored trace is %v", i, levels[i])
		}
	}
	return levels, nil
}
