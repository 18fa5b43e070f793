package sim

import "sort"

// TruthEntry says that a radio unit with a build must fail a clause. Whatever
// Truth does not list must pass.
type TruthEntry struct {
	Serial string `json:"serial"`
	Build  string `json:"build"`
	Clause string `json:"clause"`
}

// Truth returns what must fail, from the list of faults, sorted by serial,
// build and clause, each entry once.
func (c Config) Truth() []TruthEntry {
	seen := map[TruthEntry]bool{}
	truth := []TruthEntry{}
	for _, f := range c.Faults {
		for _, build := range c.Builds {
			if f.Build != "" && f.Build != build {
				continue
			}
			for _, clause := range f.Clauses {
				entry := TruthEntry{f.Serial, build, clause}
				if !seen[entry] {
					seen[entry] = true
					truth = append(truth, entry)
				}
			}
		}
	}
	sort.Slice(truth, func(i, j int) bool {
		a, b := truth[i], truth[j]
		if a.Serial != b.Serial {
			return a.Serial < b.Serial
		}
		if a.Build != b.Build {
			return a.Build < b.Build
		}
		return a.Clause < b.Clause
	})
	return truth
}

// Truth returns what must fail in this lab.
func (l *Lab) Truth() []TruthEntry { return l.config.Truth() }
