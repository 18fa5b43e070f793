package results

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// segmentCases is a segment as a plan makes it: cases with the figures of a
// mask, no traces, so that the peer writes the same rows.
func segmentCases(cases, figures int) []Case {
	margins := make([]float64, figures)
	for i := range margins {
		margins[i] = float64(i) + 0.125
	}
	list := make([]Case, cases)
	for i := range list {
		list[i] = caseOf(fmt.Sprint("case ", i), i+1, "6.6.4", margins...)
	}
	return list
}

// BenchmarkInsertCases stores a segment in a transaction of its own, checks
// and case rows included, and compares the measurement rows stored per second
// with a bare COPY of the same rows into the same table in the same run.
func BenchmarkInsertCases(b *testing.B) {
	for _, size := range []struct{ cases, figures int }{{10, 12}, {100, 20}} {
		b.Run(fmt.Sprintf("%d_rows", size.cases*size.figures), func(b *testing.B) {
			s := newStore(b)
			campaign := s.campaign("2.4.0", "p", true)
			cases := segmentCases(size.cases, size.figures)
			rows := float64(size.cases * size.figures)
			var ours, bare time.Duration
			n := 0
			for b.Loop() {
				b.StopTimer()
				one := s.run(campaign, fmt.Sprint("T4-", n), "RU-T4", 1, len(cases))
				other := s.run(campaign, fmt.Sprint("F2-", n), "RU-F2", 1, len(cases))
				copied := s.emptyCases(b, other, cases)
				n++
				b.StartTimer()
				began := time.Now()
				if err := s.insert(one, cases...); err != nil {
					b.Fatal(err)
				}
				ours += time.Since(began)
				b.StopTimer()
				began = time.Now()
				if err := s.inTx(func(tx pgx.Tx) error {
					return copyRows(context.Background(), tx, "measurement", measurementColumns, copied)
				}); err != nil {
					b.Fatal(err)
				}
				bare += time.Since(began)
				b.StartTimer()
			}
			b.ReportMetric(rows*float64(n)/ours.Seconds(), "rows/s")
			b.ReportMetric(rows*float64(n)/bare.Seconds(), "bare-rows/s")
			b.ReportMetric(ours.Seconds()/bare.Seconds(), "time-ratio")
		})
	}
}

// emptyCases stores cases without figures and returns the rows of their figures.
func (s *store) emptyCases(b *testing.B, run uuid.UUID, cases []Case) [][]any {
	b.Helper()
	bare := make([]Case, len(cases))
	for i, c := range cases {
		c.Results, c.Verdict, c.Error = nil, "error", "none"
		bare[i] = c
	}
	if err := s.insert(run, bare...); err != nil {
		b.Fatal(err)
	}
	stored, err := RunCases(b.Context(), s.pool, run)
	if err != nil {
		b.Fatal(err)
	}
	ids := make(map[caseName]int64)
	for _, c := range stored {
		ids[c.name()] = c.ID
	}
	return measurementRows(cases, ids)
}

// BenchmarkTrace packs and unpacks a noise trace of the longest single sweep
// and reports its size: noise hardly compresses, so this is the worst case.
func BenchmarkTrace(b *testing.B) {
	levels := noise(40001, 1).Spectrum.Levels
	packed, err := encodeLevels(levels)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("pack", func(b *testing.B) {
		b.SetBytes(int64(4 * len(levels)))
		for b.Loop() {
			if _, err := encodeLevels(levels); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(len(packed)), "bytes/trace")
		b.ReportMetric(float64(len(packed))/float64(4*len(levels)), "size-ratio")
	})
	b.Run("unpack", func(b *testing.B) {
		b.SetBytes(int64(4 * len(levels)))
		for b.Loop() {
			if _, err := decodeLevels(packed, len(levels)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
