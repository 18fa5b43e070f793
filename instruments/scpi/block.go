package scpi

import (
	"encoding/binary"
	"fmt"
	"math"
	"strconv"
)

// AppendBlock appends payload to dst as a definite-length block with the
// shortest length field (488.2 8.7.9), and returns the extended slice. Payloads
// longer than 999999999 bytes do not fit a block and panic: a caller that big
// is a programming error.
func AppendBlock(dst, payload []byte) []byte {
	digits := strconv.Itoa(len(payload))
	if len(digits) > 9 {
		panic("scpi: block longer than nine digits can say")
	}
	dst = append(dst, '#', byte('0'+len(digits)))
	dst = append(dst, digits...)
	return append(dst, payload...)
}

// ParseBlock returns the payload of a unit that is exactly one definite-length
// block (488.2 7.7.6). The payload shares memory with unit. Errors are -161.
func ParseBlock(unit []byte) ([]byte, error) {
	if len(unit) == 0 || unit[0] != '#' {
		return nil, StandardError(-161, fmt.Sprintf("%.40q does not start with '#'", unit))
	}
	header, payload, ok, err := blockAt(unit)
	switch {
	case err != nil:
		return nil, err
	case !ok:
		return nil, StandardError(-161, fmt.Sprintf("%.40q", unit))
	case header+payload != len(unit):
		return nil, StandardError(-161, fmt.Sprintf("%d bytes after the block", len(unit)-header-payload))
	}
	return unit[header:], nil
}

// AppendReal32 appends xs to dst as IEEE 754 single-precision numbers, most
// significant byte first (FORMat REAL,32 with FORMat:BORDer NORMal).
func AppendReal32(dst []byte, xs []float64) []byte {
	for _, x := range xs {
		dst = binary.BigEndian.AppendUint32(dst, math.Float32bits(float32(x)))
	}
	return dst
}

// DecodeReal32 decodes the payload of a REAL,32 block in normal byte order, as
// RealFormat.Decode does.
func DecodeReal32(b []byte) ([]float64, error) { return RealFormat{}.Decode(b) }
