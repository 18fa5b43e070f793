package server

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"

	"github.com/labstack/echo/v4"

	"benchyard/instruments/rf"
	"benchyard/jobs/results"
	"benchyard/server/api"
)

const (
	// drawable is how many points a browser is given without reduction.
	drawable               = 20_000
	minColumns, maxColumns = 16, 10_000
)

func traceToWire(number int, t results.Trace, corrected bool) api.Trace {
	s := t.Spectrum
	w := api.Trace{
		Number: number, Role: t.Role, StartHz: float64(s.Start), StopHz: float64(s.Frequency(t.Points - 1)), StepHz: float64(s.Step), Points: t.Points,
		RBWHz: float64(s.RBW), NoiseHz: float64(s.NoiseBandwidth), Settings: settingsOf(t.Sweep), AtConnector: corrected,
	}
	if t.Lost != nil {
		w.Lost = t.Lost.Error()
	}
	return w
}

// settingsOf is a sweep as JSON, for the record beside a trace.
func settingsOf(s rf.Sweep) json.RawMessage {
	settings := map[string]any{
		"start_hz": float64(s.Start), "stop_hz": float64(s.Stop), "rbw_hz": float64(s.RBW), "vbw_hz": float64(s.VBW),
		"points": s.Points, "sweep_time_s": s.SweepTime.Seconds(), "averages": max(1, s.Averages),
		"attenuation_db": float64(s.Attenuation), "reference_level_dbm": float64(s.ReferenceLevel),
	}
	if g := s.Gate; g != nil {
		settings["gate"] = map[string]any{"delay_s": g.Delay.Seconds(), "length_s": g.Length.Seconds(), "period_s": g.Period.Seconds()}
	}
	return encodeJSON(settings)
}

// getTrace answers with the levels of one trace: little-endian 32-bit floats,
// or CSV.
func (s *Server) getTrace(c echo.Context) error {
	columns, err := columnsOf(c)
	if err != nil {
		return err
	}
	e, err := s.evidenceOf(c)
	if err != nil {
		return err
	}
	number, err := strconv.Atoi(c.Param("number"))
	if err != nil || number < 1 || number > len(e.traces) {
		return fmt.Errorf("server: trace %q of case %d: %w", c.Param("number"), e.stored.ID, errNotFound)
	}
	if lost := e.traces[number-1].Lost; lost != nil {
		return &refusal{status: http.StatusGone, detail: lost.Error()}
	}
	spectrum, place := e.traces[number-1].Spectrum, "analyzer"
	switch c.QueryParam("levels") {
	case "analyzer":
	default:
		return badRequest("the levels of a trace stand at the connector or at the analyzer")
	case "", "connector":
		if corrected, ok := e.context.atConnector(spectrum); ok {
			spectrum, place = corrected, "connector"
		}
	}
	h := c.Response().Header()
	h.Set("Benchyard-Points", strconv.Itoa(len(spectrum.Levels)))
	h.Set("Benchyard-Levels", place)
	h.Set("Benchyard-Simulated", strconv.FormatBool(e.run.Simulated))
	name := fmt.Sprintf("case-%d-trace-%d", e.stored.ID, number)
	switch c.QueryParam("format") {
	case "", "float32":
		if columns > 0 {
			spectrum = reduce(spectrum, columns)
		} else {
			h.Set("Content-Disposition", `attachment; filename="`+name+`.f32"`)
		}
		h.Set("Benchyard-Start-Hz", strconv.FormatFloat(float64(spectrum.Start), 'g', -1, 64))
		h.Set("Benchyard-Step-Hz", strconv.FormatFloat(float64(spectrum.Step), 'g', -1, 64))
		return c.Blob(http.StatusOK, "application/octet-stream", packLevels(spectrum.Levels))
	case "csv":
		h.Set("Content-Disposition", `attachment; filename="`+name+`.csv"`)
		return writeTraceCSV(c, spectrum, place, e.run.Simulated)
	}
	return badRequest("the format of a trace is float32 or csv")
}

func columnsOf(c echo.Context) (int, error) {
	text := c.QueryParam("columns")
	if text == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < minColumns || n > maxColumns {
		return 0, badRequest(fmt.Sprintf("columns must be a whole number from %d to %d", minColumns, maxColumns))
	}
	return n, nil
}

func packLevels(levels []float64) []byte {
	b := make([]byte, 0, 4*len(levels))
	for _, v := range levels {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(float32(v)))
	}
	return b
}

// reduce keeps the least and the greatest level of each column of a drawing, so
// that a single narrow line stays visible. Traces that can be drawn as they are
// are left alone.
func reduce(s rf.Spectrum, columns int) rf.Spectrum {
	n := len(s.Levels)
	if n <= drawable || n <= 2*columns {
		return s
	}
	out := s
	out.Levels = make([]float64, 0, 2*columns)
	for i := range columns {
		column := s.Levels[i*n/columns : (i+1)*n/columns]
		least, most := column[0], column[0]
		for _, v := range column {
			least, most = min(least, v), max(most, v)
		}
		out.Levels = append(out.Levels, least, most)
	}
	width := rf.Hertz(n) * s.Step / rf.Hertz(columns)
	out.Step = width / 2
	out.Start = s.Start - s.Step/2 + width/4 // the two points stand at 1/4 and 3/4 of their column
	return out
}

func writeTraceCSV(c echo.Context, s rf.Spectrum, place string, simulated bool) error {
	c.Response().Header().Set("Content-Type", "text/csv; charset=utf-8")
	c.Response().WriteHeader(http.StatusOK)
	w := bufio.NewWriterSize(c.Response(), 64<<10)
	fmt.Fprintf(w, "frequency_hz,level_dbm_at_%s,simulated\n", place)
	for i, v := range s.Levels {
		w.WriteString(strconv.FormatFloat(float64(s.Frequency(i)), 'f', 3, 64))
		w.WriteByte(',')
		w.WriteString(strconv.FormatFloat(v, 'f', 3, 64))
		w.WriteByte(',')
		w.WriteString(strconv.FormatBool(simulated))
		w.WriteByte('\n')
	}
	return w.Flush()
}

// getSeries answers with the judged levels over frequency.
func (s *Server) getSeries(c echo.Context) error {
	e, err := s.evidenceOf(c)
	if err != nil {
		return err
	}
	list := api.SeriesList{Series: []api.Series{}}
	if len(e.stored.Results) > 0 {
		if list.Series, err = e.context.series(e.stored.Clause, e.traces); err != nil {
			return err
		}
	}
	return writeJSON(c, http.StatusOK, list)
}
