package scheduler

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"time"
)

// load is work that stays together on one bench: all jobs of a unit.
type load struct {
	work     time.Duration
	families []int // positions in balance.families
	benches  []int // where it may go, positions in balance.stations
}

// station is a bench as the balance sees it.
type station struct {
	from     int           // what stands on it, position in balance.families
	base     time.Duration // work that is there already, without set-ups
	fixed    []int         // families of that work
	slower   float64       // 1, or more for a bench that gets less
	finishes func(work time.Duration) time.Duration

	work    time.Duration // of the loads put there
	counts  []int         // of loads by family
	present familySet
	ends    float64 // hours from now until the bench is idle
}

// balance spreads loads over benches so that the last bench ends early. A family
// is set up once on each bench that has work of it, in the order that costs least.
type balance struct {
	families []Family
	setUp    SetUpTime
	costs    costs
	alike    [][]int // loads of each family
	loads    []load
	stations []station
	memo     map[setUpKey]time.Duration
	at       []int // station of each load
}

// familySet has a bit for each family. Families beyond its size share bits: a set-up
// may then be counted too few times, which only makes a plan less good.
type familySet [4]uint64

func (s *familySet) flip(f int) {
	f %= len(s) * 64
	s[f/64] ^= 1 << (f % 64)
}

type setUpKey struct {
	from    int
	present familySet
}

// clear takes all loads off and keeps what is on the benches anyway.
func (b *balance) clear() {
	if b.memo == nil {
		b.prepare()
	}
	b.at = make([]int, len(b.loads))
	for s := range b.stations {
		st := &b.stations[s]
		st.work, st.counts, st.present = 0, make([]int, len(b.families)), familySet{}
		for _, f := range st.fixed {
			st.add(f, 1)
		}
		b.settle(s)
	}
}

func (b *balance) prepare() {
	b.memo, b.costs, b.alike = map[setUpKey]time.Duration{}, costsOf(b.families, b.setUp), make([][]int, len(b.families))
	for i, l := range b.loads {
		for _, f := range l.families {
			b.alike[f] = append(b.alike[f], i)
		}
	}
}

func (s *station) add(family, by int) {
	before := s.counts[family] > 0
	s.counts[family] += by
	if before != (s.counts[family] > 0) {
		s.present.flip(family)
	}
}

// put adds a load to a bench, or takes it off with by -1.
func (b *balance) put(i, s, by int) {
	st := &b.stations[s]
	st.work += time.Duration(by) * b.loads[i].work
	for _, f := range b.loads[i].families {
		st.add(f, by)
	}
	if by > 0 {
		b.at[i] = s
	}
	b.settle(s)
}

// settle works out when a bench ends.
func (b *balance) settle(s int) {
	st := &b.stations[s]
	total := float64(st.base+st.work+b.setUps(st)) * st.slower
	st.ends = st.finishes(time.Duration(total)).Hours()
}

// setUps is what the families on a bench cost, in the order that costs least.
func (b *balance) setUps(st *station) time.Duration {
	key := setUpKey{st.from, st.present}
	d, known := b.memo[key]
	if known {
		return d
	}
	var present []int
	for f, n := range st.counts {
		if n > 0 {
			present = append(present, f)
		}
	}
	d = b.costs.of(st.from, b.costs.shortest(st.from, present))
	b.memo[key] = d
	return d
}

// list puts every load where it ends first, one after the other.
func (b *balance) list(order []int) {
	b.clear()
	for _, i := range order {
		best, ends := -1, 0.0
		for _, s := range b.loads[i].benches {
			b.put(i, s, 1)
			if e := b.stations[s].ends; best < 0 || e < ends {
				best, ends = s, e
			}
			b.put(i, s, -1)
		}
		b.put(i, best, 1)
	}
}

// longestFirst is the order for list that Graham's bound 4/3 - 1/(3m) holds for.
func (b *balance) longestFirst() []int {
	order := make([]int, len(b.loads))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, k int) int { return cmp.Compare(b.loads[k].work, b.loads[i].work) })
	return order
}

// makespan returns the hours until the last bench ends.
func (b *balance) makespan() float64 {
	last := 0.0
	for s := range b.stations {
		last = max(last, b.stations[s].ends)
	}
	return last
}

// strain grows most with the bench that ends last, and a little with every other:
// a saved set-up on any bench is a step in the right direction.
func (b *balance) strain() float64 {
	sum := 0.0
	last := b.makespan()
	for s := range b.stations {
		r := b.stations[s].ends / last
		r *= r
		r *= r
		sum += r * r // to the power of 8
	}
	return last * math.Sqrt(math.Sqrt(math.Sqrt(sum/float64(len(b.stations)))))
}

// The search looks at so many changes for each load, and at so many in all.
const (
	changesPerLoad = 1500
	mostChanges    = 100_000
)

// solve returns a bench for every load, by annealing from the longest first. It draws from
// a seed of its own: the same input gives the same plan.
func (b *balance) solve() []int {
	b.list(b.longestFirst())
	best, ends := slices.Clone(b.at), b.makespan()
	if len(b.stations) < 2 || ends == 0 {
		return best
	}
	random := rand.New(rand.NewPCG(uint64(len(b.loads)), uint64(len(b.stations))))
	changes := min(mostChanges, changesPerLoad*len(b.loads))
	strain := b.strain()
	for n := range changes {
		heat := ends * 0.005 * math.Pow(0.002, float64(n)/float64(changes))
		undo := b.change(random)
		if s := b.strain(); s <= strain || random.Float64() < math.Exp((strain-s)/heat) {
			strain = s
		} else {
			undo()
		}
		if e := b.makespan(); e < ends*(1-1e-12) {
			best, ends = slices.Clone(b.at), e
		}
	}
	return best
}

// change moves a load to a bench, often one with work of its family, or lets two
// loads change places.
func (b *balance) change(random *rand.Rand) (undo func()) {
	i, k := random.IntN(len(b.loads)), random.IntN(len(b.loads))
	from, to := b.at[i], b.at[k]
	switch random.IntN(4) {
	case 0:
		to = b.loads[i].benches[random.IntN(len(b.loads[i].benches))]
	case 1:
		alike := b.alike[b.loads[i].families[0]]
		to = b.at[alike[random.IntN(len(alike))]]
	default:
		if !slices.Contains(b.loads[i].benches, to) || !slices.Contains(b.loads[k].benches, from) {
			return func() {}
		}
		b.move(i, to)
		b.move(k, from)
		return func() {
			b.move(k, to)
			b.move(i, from)
		}
	}
	if slices.Contains(b.loads[i].benches, to) {
		b.move(i, to)
	}
	return func() { b.move(i, from) }
}

func (b *balance) move(i, to int) {
	if from := b.at[i]; from != to {
		b.put(i, from, -1)
		b.put(i, to, 1)
	}
}

func (b *balance) restore(at []int) {
	b.clear()
	for i, s := range at {
		b.put(i, s, 1)
	}
}
