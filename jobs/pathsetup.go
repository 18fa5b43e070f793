package jobs

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"benchyard/instruments/rf"
	"benchyard/jobs/calibration"
	"benchyard/jobs/lab"
)

const (
	// levelMargin is what a generator may give beyond its level before the
	// analyzer is in danger.
	levelMargin rf.DB = 3
	// leastLevel leaves a power meter with a thermal sensor enough to read: common
	// practice, no source.
	leastLevel rf.DBm = -20
	// checkedFrequencies is how many frequencies of its table a check looks at
	// unless somebody names others.
	checkedFrequencies = 5
	mostLevels         = 200 // no level of any instrument is beyond this, in dBm
)

// pathSetup is a request with all that its bench and its path are, checked.
type pathSetup struct {
	request     PathRequest
	bench       lab.Bench
	path        lab.Path
	serial      string // of the unit whose connector the path ends at; empty: none is known
	frequencies []rf.Hertz
	equipment   calibration.Equipment
}

// plan looks up what a request needs, and refuses what cannot or must not be done:
// all of it before anything is switched on.
func (r PathRequest) plan(l *lab.Lab, today lab.Date) (pathSetup, error) {
	p := pathSetup{request: r}
	refuse := func(problems ...string) (pathSetup, error) { return p, &PathTaskRefusedError{problems} }
	var ok bool
	if p.bench, ok = l.Bench(r.Bench); !ok {
		return refuse(fmt.Sprintf("bench %q is not in the inventory of %s", r.Bench, l.Name))
	}
	if p.path, ok = l.PathFor(r.Bench, r.Slot, r.Connector); !ok {
		return refuse(fmt.Sprintf("%s has no path; add it under paths of the inventory", r.PathPlace))
	}
	if p.bench.Generator == "" || p.bench.PowerMeter == "" {
		return refuse(fmt.Sprintf("%s has no generator or no power_meter; measuring its paths needs both", r.Bench))
	}
	for _, u := range l.UnitsOn(r.Bench) {
		if u.Slot == r.Slot && !u.ByHand() {
			p.serial = u.Serial
		}
	}
	var problems []string
	report := func(err error) {
		if err != nil {
			problems = append(problems, err.Error())
		}
	}
	if why := wrongName("the name of who asks", r.By, true); why != "" {
		report(errors.New(why))
	}
	report(calibrated(l, r.Bench, today))
	report(p.choose(l))
	report(p.level(l))
	report(p.know(l))
	if problems != nil {
		return refuse(problems...)
	}
	return p, nil
}

// choose finds the frequencies and holds them against what the instruments cover.
func (p *pathSetup) choose(l *lab.Lab) error {
	covered := p.covered(l)
	p.frequencies = p.request.Frequencies
	switch p.request.Kind {
	case CheckPath:
		if len(p.frequencies) == 0 {
			if p.frequencies = few(p.path.Correction, covered); p.frequencies == nil {
				return fmt.Errorf("the correction in force covers nothing from %s to %s, where generator, power meter and analyzer work", covered.Low, covered.High)
			}
		}
	case MeasurePath:
		if len(p.frequencies) < calibration.LeastRows {
			return fmt.Errorf("%d frequencies; want %d or more, so that something is known of what lies between them", len(p.frequencies), calibration.LeastRows)
		}
	default:
		return fmt.Errorf("%q is no task; want %s or %s", p.request.Kind, MeasurePath, CheckPath)
	}
	if len(p.frequencies) > calibration.MostRows {
		return fmt.Errorf("%d frequencies; want %d at most", len(p.frequencies), calibration.MostRows)
	}
	for i, f := range p.frequencies {
		switch {
		case !covered.Contains(f):
			return fmt.Errorf("%s is outside %s to %s, where generator, power meter and analyzer work", f, covered.Low, covered.High)
		case i > 0 && f <= p.frequencies[i-1]:
			return fmt.Errorf("frequency %s does not rise above %s", f, p.frequencies[i-1])
		case p.request.Kind == CheckPath && !p.path.Correction.Range().Contains(f):
			return fmt.Errorf("%s is outside the correction in force, %s to %s", f, p.path.Correction.Range().Low, p.path.Correction.Range().High)
		}
	}
	return nil
}

// few returns where a check looks: at the ends of what the table and the
// instruments cover, and at rows between them.
func few(table rf.Correction, covered rf.Range) []rf.Hertz {
	low, high := max(table.Range().Low, covered.Low), min(table.Range().High, covered.High)
	if !(low <= high) {
		return nil
	}
	inside := rf.Correction{{Frequency: low}}
	for _, row := range table {
		if row.Frequency > low && row.Frequency < high {
			inside = append(inside, row)
		}
	}
	return calibration.Few(append(inside, rf.CorrectionPoint{Frequency: high}), checkedFrequencies)
}

// covered is where every instrument that takes part works. One whose range the
// inventory does not tell refuses what it cannot do by itself.
func (p *pathSetup) covered(l *lab.Lab) rf.Range {
	covered := rf.Range{Low: calibration.LineReach, High: rf.Hertz(math.Inf(1))}
	for _, name := range []string{p.bench.Analyzer, p.bench.Generator, p.bench.PowerMeter} {
		i, ok := l.Instrument(name)
		if !ok || i.Frequency == (rf.Range{}) {
			continue
		}
		margin := rf.Hertz(0)
		if name == p.bench.Analyzer {
			margin = calibration.LineReach
		}
		covered = rf.Range{Low: max(covered.Low, i.Frequency.Low+margin), High: min(covered.High, i.Frequency.High-margin)}
	}
	return covered
}

// level refuses a level that could harm the analyzer. The loss of the path counts
// for nothing: it is what shall be found, and a cable may be joined past its pads.
func (p *pathSetup) level(l *lab.Lab) error {
	level := p.request.Level
	a, _ := l.Instrument(p.bench.Analyzer)
	g, _ := l.Instrument(p.bench.Generator)
	table, err := l.Table(string(lab.GeneratorRole), g.Dialect)
	if err != nil {
		return fmt.Errorf("%s: %w", p.bench.Generator, err)
	}
	most := rf.DBm(table.Limits["max_level"])
	switch {
	case !(math.Abs(float64(level)) < mostLevels):
		return fmt.Errorf("a level of %s is none of a generator", level)
	case level < leastLevel:
		return fmt.Errorf("a level of %s is too little for the power meter; want %s or more", level, leastLevel)
	case level > most:
		return fmt.Errorf("%s gives %s at most, not %s", g.Name, most, level)
	case level.Add(levelMargin) > a.MaxInput:
		return fmt.Errorf("%s with a margin of %s could reach %s, which stands %s: the loss of the path does not count before it is known; ask for %s or less with --level",
			level, levelMargin, a.Name, a.MaxInput, a.MaxInput.Add(-levelMargin))
	}
	return nil
}

// know gathers what the inventory tells of the equipment. What it does not tell
// cannot be taken for zero.
func (p *pathSetup) know(l *lab.Lab) error {
	a, _ := l.Instrument(p.bench.Analyzer)
	g, _ := l.Instrument(p.bench.Generator)
	m, _ := l.Instrument(p.bench.PowerMeter)
	p.equipment = calibration.Equipment{
		Meter: m.LevelUncertainty, Linearity: a.Linearity, GeneratorSWR: g.OutputSWR, MeterSWR: m.InputSWR,
		PathSWR: p.path.SWR, AnalyzerSWR: a.InputSWR, Repeatability: p.path.Repeatability, Repeats: p.path.Repeats,
	}
	if p.equipment.Linearity == 0 { // a ratio is known at least as well as a level
		p.equipment.Linearity = a.LevelUncertainty
	}
	var missing []string
	for _, k := range []struct {
		known float64
		what  string
	}{
		{float64(p.equipment.Meter), "level_uncertainty of " + m.Name}, {p.equipment.MeterSWR, "input_swr of " + m.Name},
		{p.equipment.GeneratorSWR, "output_swr of " + g.Name},
		{float64(p.equipment.Linearity), "linearity of " + a.Name}, {p.equipment.AnalyzerSWR, "input_swr of " + a.Name},
		{p.equipment.PathSWR, "swr of the path"},
	} {
		if k.known == 0 {
			missing = append(missing, k.what)
		}
	}
	if missing != nil {
		return fmt.Errorf("the inventory does not tell %s; without it there is no uncertainty", strings.Join(missing, ", "))
	}
	return nil
}

// Until something was timed, a reading at the power meter and a few sweeps take
// about this long (nominal, without the time of persons).
const (
	nominalMeter  = 2 * time.Second
	nominalSweeps = time.Second
)

// pace tells how long the rest of the readings will take.
type pace struct {
	meter, sweeps   int           // still to be taken
	metered, swept  int           // taken
	atMeter, atPath time.Duration // spent on them
}

func paceOf(frequencies int) pace { return pace{meter: frequencies, sweeps: frequencies} }

// left is what remains by the time that each kind took so far.
func (p pace) left() time.Duration {
	each := func(nominal time.Duration, spent time.Duration, n int) time.Duration {
		if n == 0 {
			return nominal
		}
		return spent / time.Duration(n)
	}
	return time.Duration(p.meter)*each(nominalMeter, p.atMeter, p.metered) + time.Duration(p.sweeps)*each(nominalSweeps, p.atPath, p.swept)
}
