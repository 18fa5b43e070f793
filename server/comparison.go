package server

import (
	"math"
	"net/http"

	"github.com/labstack/echo/v4"

	"benchyard/jobs/results"
	"benchyard/server/api"
)

// ComparisonToWire returns what two builds differ in as it goes over the network.
func ComparisonToWire(c results.Comparison) api.Comparison {
	wire := emptyComparison()
	for _, y := range c.Yields {
		w := api.YieldDifference{
			UnitType: y.UnitType, UnitsA: y.UnitsA, PassedA: y.PassedA, UnitsB: y.UnitsB, PassedB: y.PassedB,
			Difference: finite(y.Difference), Low: finite(y.Low), High: finite(y.High), FisherP: finite(y.P),
			Pairs: y.Pairs, Worse: y.Worse, Better: y.Better, Unseen: y.Unseen(), Remark: y.Remark(),
		}
		if y.Pairs > 0 {
			w.McNemarP = finite(y.PairedP)
		}
		wire.Yields = append(wire.Yields, w)
	}
	for _, m := range c.Clauses {
		wire.Margins = append(wire.Margins, api.MarginShift{
			UnitType: m.UnitType, Clause: m.Clause, Unit: api.MarginUnit(m.Unit), UnitsA: m.UnitsA, UnitsB: m.UnitsB, Pairs: m.Pairs,
			Worse: m.Worse, Better: m.Better, Method: string(m.Method), Shift: finite(m.Shift), Low: finite(m.Low), High: finite(m.High), P: finite(m.P), Q: finite(m.Q),
			Material: m.Material, LeastB: finite(m.LeastB), Finding: string(m.Finding()),
		})
	}
	return wire
}

func emptyComparison() api.Comparison {
	return api.Comparison{Level: results.Level, Yields: []api.YieldDifference{}, Margins: []api.MarginShift{}}
}

// finite leaves out what is not known: JSON has no word for it but null.
func finite(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// BenchesToWire returns how benches agree as it goes over the network.
func BenchesToWire(r results.BenchReport, simulated bool) api.BenchReport {
	wire := api.BenchReport{Simulated: simulated, Studies: []api.BenchStudy{}, Missing: append([]string{}, r.Missing...)}
	for _, s := range r.Studies {
		g := s.Gauge
		w := api.BenchStudy{
			Build: s.Build, UnitType: s.UnitType, Clause: s.Clause, Case: s.Case, Requirement: s.Requirement, Figures: s.Figures,
			Unit: api.MarginUnit(s.Unit), Units: s.Units, Repeats: g.Repeats,
			Repeatability: math.Sqrt(g.Repeatability), Reproducibility: math.Sqrt(g.Reproducibility()), Measuring: math.Sqrt(g.Measuring()),
			BetweenUnits: math.Sqrt(g.UnitVariance), StudyVariation: g.StudyVariation(g.Measuring()), Contribution: g.Contribution(g.Measuring()), Categories: g.Categories(), Pooled: g.Pooled,
		}
		for i, name := range s.Benches {
			w.Benches = append(w.Benches, api.BenchDeviation{Bench: name, Deviation: g.BenchDeviation[i]})
		}
		wire.Studies = append(wire.Studies, w)
	}
	return wire
}

// getBenchAgreement answers with how well benches agree, in the world of the
// inventory in force.
func (s *Server) getBenchAgreement(c echo.Context) error {
	ctx := c.Request().Context()
	simulated := s.labSimulated(ctx)
	found, err := results.BenchAgreement(ctx, s.pool, simulated)
	if err != nil {
		return err
	}
	return writeJSON(c, http.StatusOK, BenchesToWire(found, simulated))
}
