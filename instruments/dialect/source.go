package dialect

import (
	"encoding/json"
	"fmt"
	"time"

	"benchyard/instruments/document"
)

// Source is a table as it is written, before what it inherits is put in place.
type Source struct {
	// File is the name of the file that holds the table, where a list of tables
	// names a file in its place.
	File string `yaml:"-" json:"-"`

	Name        string                    `json:"name" document:"required"`
	Role        string                    `json:"role" document:"required"`
	Inherits    string                    `json:"inherits,omitempty"`
	Control     string                    `json:"control,omitempty"`
	Session     Session                   `json:"session,omitzero"`
	CommandLine CommandLine               `json:"command_line,omitzero"`
	Limits      map[string]float64        `json:"limits,omitempty"`
	Timeouts    map[TimeoutClass]Duration `json:"timeouts,omitempty"`
	Commands    map[string]SourceEntry    `json:"commands,omitempty"`
}

// UnmarshalText reads the name of a file that stands in the place of a table.
func (s *Source) UnmarshalText(name []byte) error {
	s.File = string(name)
	return nil
}

// Duration is a time as it is written: 30s, 10m.
type Duration time.Duration

// UnmarshalText reads a duration.
func (d *Duration) UnmarshalText(text []byte) error {
	v, err := time.ParseDuration(string(text))
	if err != nil {
		return fmt.Errorf("dialect: want a duration such as 30s or 10m, found %.40q", text)
	}
	*d = Duration(v)
	return nil
}

// MarshalText writes a duration so that it reads back as the same.
func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

// SourceEntry is an entry as it is written; what is absent gets the default of
// its capability.
type SourceEntry struct {
	Set         Lines             `json:"set,omitempty"`
	Ask         string            `json:"ask,omitempty"`
	Unit        Unit              `json:"unit,omitempty"`
	Type        Type              `json:"type,omitempty"`
	Answer      string            `json:"answer,omitempty"`
	Words       map[string]string `json:"words,omitempty"`
	Encoding    Encoding          `json:"encoding,omitempty"`
	Bit         *int              `json:"bit,omitempty"`
	On          []string          `json:"on,omitempty"`
	Off         []string          `json:"off,omitempty"`
	Timeout     TimeoutClass      `json:"timeout,omitempty"`
	Overlapped  *bool             `json:"overlapped,omitempty"`
	Unsupported bool              `json:"unsupported,omitempty"`
}

// Lines are commands: one as plain text, or a list.
type Lines []string

// UnmarshalText reads a single command.
func (l *Lines) UnmarshalText(command []byte) error {
	*l = Lines{string(command)}
	return nil
}

// UnmarshalJSON reads the list that JSON always has.
func (l *Lines) UnmarshalJSON(text []byte) error { return json.Unmarshal(text, (*[]string)(l)) }

// Parse reads one table from a file. It may inherit from the standard table of
// its role and from the tables in others. The error is document.Problems.
func Parse(file string, data []byte, others ...*Table) (*Table, error) {
	d := document.Read(file, data)
	var s Source
	d.Decode(&s)
	tables := Check([]Placed{{Document: d, Source: s}}, others...)
	if problems := d.Problems(); problems != nil {
		return nil, problems
	}
	return tables[0], nil
}
