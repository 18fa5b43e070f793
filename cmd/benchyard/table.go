package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode"
	"unicode/utf8"
)

// output is the --format flag of every command that prints a table.
type output struct {
	Format string `enum:"table,json,csv" default:"table" help:"How to print: table, json or csv."`
}

// table is rows of text for people and the same things as values for programs.
type table struct {
	header []string
	rows   [][]string
	values any // what --format json prints
}

func (t *table) add(cells ...string) { t.rows = append(t.rows, cells) }

// visible makes text fit for a terminal. Some of it comes from instruments and
// files, and must neither move the cursor nor change colours; only line breaks stay.
func visible(text string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || unicode.IsPrint(r) {
			return r
		}
		if r == '\t' {
			return ' '
		}
		return utf8.RuneError
	}, text)
}

// visibleTabs is visible for text whose columns are set apart by tabs.
func visibleTabs(text []byte) string {
	lines := strings.Split(string(text), "\n")
	for i, line := range lines {
		cells := strings.Split(line, "\t")
		for j := range cells {
			cells[j] = visible(cells[j])
		}
		lines[i] = strings.Join(cells, "\t")
	}
	return strings.Join(lines, "\n")
}

// oneLine is visible text without line breaks, for a cell or a line of progress.
func oneLine(text string) string {
	return strings.ReplaceAll(strings.ReplaceAll(visible(text), "\n", "; "), ";; ", "; ")
}

// print writes the table in the wanted format.
func (o output) print(w io.Writer, t *table) error {
	switch o.Format {
	case "json":
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(t.values)
	case "csv":
		out := csv.NewWriter(w)
		if err := out.Write(t.header); err != nil {
			return err
		}
		return out.WriteAll(t.rows)
	}
	return t.write(w)
}

// write prints aligned columns; a column of numbers stands right.
func (t *table) write(w io.Writer) error {
	for _, row := range t.rows {
		for i := range row {
			row[i] = oneLine(row[i])
		}
	}
	widths, right := t.measure()
	lines := append([][]string{t.header}, t.rows...)
	for _, cells := range lines {
		var b strings.Builder
		for i, cell := range cells {
			gap := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
			if i > 0 {
				b.WriteString("  ")
			}
			if right[i] {
				b.WriteString(gap + cell)
			} else {
				b.WriteString(cell + gap)
			}
		}
		if _, err := fmt.Fprintln(w, strings.TrimRight(b.String(), " ")); err != nil {
			return err
		}
	}
	return nil
}

func (t *table) measure() (widths []int, right []bool) {
	widths, right = make([]int, len(t.header)), make([]bool, len(t.header))
	for i, h := range t.header {
		widths[i], right[i] = utf8.RuneCountInString(h), len(t.rows) > 0
	}
	for _, row := range t.rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
			right[i] = right[i] && (cell == "" || cell == "–" || strings.ContainsRune("+-0123456789", rune(cell[0])) && strings.ContainsAny(cell, "0123456789"))
		}
	}
	return widths, right
}

// number prints a value with the decimals its unit deserves.
func number(v float64, unit string) string {
	switch unit {
	case "Hz":
		if math.Abs(v) < 1e3 { // a frequency error
			return fmt.Sprintf("%.1f", v)
		}
		return fmt.Sprintf("%.0f", v)
	case "dB", "dBm":
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%g", v)
}

// optional prints a number that may be absent.
func optional(v *float64, unit string) string {
	if v == nil {
		return "–"
	}
	return number(*v, unit)
}
