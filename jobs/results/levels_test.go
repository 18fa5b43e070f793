package results

import (
	"bytes"
	"math"
	"testing"
)

func TestDecodeLevelsRefuses(t *testing.T) {
	packed, err := encodeLevels([]float64{-1, 2, 3.5})
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string]struct {
		packed []byte
		points int
	}{
		"too few points":  {packed, 2},
		"too many points": {packed, 4},
		"negative":        {packed, -1},
		"absurd":          {packed, maxPoints + 1},
		"cut":             {packed[:len(packed)-1], 3},
		"empty":           {nil, 3},
		"damaged":         {append(bytes.Clone(packed[:len(packed)-1]), packed[len(packed)-1]^1), 3},
	} {
		if levels, err := decodeLevels(bad.packed, bad.points); err == nil {
			t.Errorf("%s: got %v", name, levels)
		}
	}
	if _, err := encodeLevels(make([]float64, maxPoints+1)); err == nil {
		t.Error("a trace that is too long was packed")
	}
	for _, v := range []float64{math.NaN(), math.Inf(-1), 2 * math.MaxFloat32} {
		if _, err := encodeLevels([]float64{v}); err == nil {
			t.Errorf("%v was packed", v)
		}
	}
}

func FuzzDecodeLevels(f *testing.F) {
	packed, err := encodeLevels([]float64{-1, 2, 3.5})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(packed, 3)
	f.Add([]byte{}, 0)
	f.Fuzz(func(t *testing.T, packed []byte, points int) {
		levels, err := decodeLevels(packed, points)
		if err != nil {
			return
		}
		again, err := encodeLevels(levels)
		if err != nil {
			t.Fatal(err)
		}
		back, err := decodeLevels(again, points)
		if err != nil {
			t.Fatal(err)
		}
		for i := range levels {
			if math.Float64bits(levels[i]) != math.Float64bits(back[i]) {
				t.Fatalf("point %d: %v, then %v", i, levels[i], back[i])
			}
		}
	})
}

func FuzzDecodeSweep(f *testing.F) {
	text, err := encodeSweep(noise(2, 1).Sweep)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte(`{"gate":{"delay_ns":1}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		sweep, err := decodeSweep(text)
		if err != nil {
			return
		}
		if _, err := encodeSweep(sweep); err != nil {
			t.Fatal(err)
		}
	})
}
