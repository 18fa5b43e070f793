package lab

import "slices"

// sharable reports whether several benches may have one instrument of a role. A
// supply and a switcher belong to the units that hang on them.
func sharable(role string) bool {
	return role == AnalyzerRole || role == GeneratorRole || role == PowerMeterRole
}

// BenchesOf returns the names of the benches that an instrument stands on, in the
// order of the document: several only where it is Shared.
func (l *Lab) BenchesOf(instrument string) []string {
	var benches []string
	for _, b := range l.Benches {
		if instrument != "" && slices.Contains(b.names(), instrument) {
			benches = append(benches, b.Name)
		}
	}
	return benches
}

// shared checks that an instrument may be on several benches.
func (c *checker) shared(path string, i Instrument, known bool) {
	if i.Shared && known && !sharable(i.Role) {
		c.Report(path+".shared", "a %s cannot be shared: the radio units of one bench hang on it; shared belongs to an analyzer, a generator or a power meter", i.Role)
	}
}

// manualAlone refuses a shared analyzer or generator on a bench whose cable a person
// moves: nothing but a switcher takes its units off the instrument while another
// bench works with it.
func (c *checker) manualAlone(path string, b Bench) {
	if !b.ByHand() {
		return
	}
	for _, use := range []struct{ key, name string }{{"analyzer", b.Analyzer}, {"generator", b.Generator}} {
		if i, ok := c.lab.Instrument(use.name); ok && i.Shared && len(c.lab.BenchesOf(i.Name)) > 1 {
			c.Report(path+"."+use.key, "bench %q has no switcher that could take its units off the shared instrument %q; give it one, or an instrument of its own", b.Name, i.Name)
		}
	}
}
