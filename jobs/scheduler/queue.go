package scheduler

import (
	"container/heap"
	"math"
	"slices"
	"time"
)

// Queue holds the jobs that wait for benches. Alike jobs stand in one lane, in
// their order, so that a decision looks at the heads of a bench's lanes and not
// at every job. A Queue is not safe for use by several goroutines at once.
type Queue struct {
	policy Policy
	setUp  SetUpTime
	ledger *Ledger
	lanes  map[laneKey]*lane
	bench  map[string][]*lane // the lanes of each bench, empty ones too
	count  int
}

// NewQueue returns an empty queue. The ledger says who used how much; the caller
// goes on charging it.
func NewQueue(p Policy, setUp SetUpTime, ledger *Ledger) *Queue {
	return &Queue{policy: p.withDefaults(), setUp: setUp, ledger: ledger, lanes: map[laneKey]*lane{}, bench: map[string][]*lane{}}
}

// laneKey tells alike jobs. Durations that differ by less than a twentieth are
// alike, so that the number of lanes stays small.
type laneKey struct {
	bench     string
	class     Class
	requester string
	family    Family
	needs     string
	length    int
	deadline  bool
}

// lane is a heap of alike jobs, the next one first.
type lane struct {
	laneKey
	jobs []*Job
	work time.Duration // of all jobs together, medians

	// The head as it stands in the decision in hand.
	rank  int
	quota int           // of the requester, in quanta above the least
	wait  time.Duration // set-up before it
}

func (l *lane) Len() int           { return len(l.jobs) }
func (l *lane) Less(i, k int) bool { return l.jobs[i].before(l.jobs[k]) }
func (l *lane) Swap(i, k int)      { l.jobs[i], l.jobs[k] = l.jobs[k], l.jobs[i] }

// Push takes a job to the end of its heap; the heap interface asks for it.
func (l *lane) Push(x any) { l.jobs = append(l.jobs, x.(*Job)) }

// Pop takes the last job off; the heap interface asks for it.
func (l *lane) Pop() any {
	last := len(l.jobs) - 1
	j := l.jobs[last]
	l.jobs[last] = nil
	l.jobs = l.jobs[:last]
	return j
}

func (l *lane) head() *Job { return l.jobs[0] }

// Len counts the jobs in the queue.
func (q *Queue) Len() int { return q.count }

// Add puts jobs into the queue. A job on the shelf is kept for nobody: Mount
// says where it should go.
func (q *Queue) Add(jobs ...Job) {
	for i := range jobs {
		j := jobs[i]
		q.push(&j, !j.Deadline.IsZero())
	}
}

func (q *Queue) push(j *Job, deadline bool) {
	key := laneKey{
		bench: j.Bench, class: j.Class, requester: j.Requester, family: j.Family, needs: j.Needs.key() + j.Kind,
		length: int(math.Log(max(1, float64(j.Takes.Quantile(0.95)))) * 20), deadline: deadline,
	}
	l := q.lanes[key]
	if l == nil {
		l = &lane{laneKey: key}
		q.lanes[key] = l
		q.bench[j.Bench] = append(q.bench[j.Bench], l)
	}
	if !deadline { // one that cannot be met counts no more, also among its like
		j = withoutDeadline(j)
	}
	heap.Push(l, j)
	l.work += j.Takes.Median
	q.count++
}

func withoutDeadline(j *Job) *Job {
	if j.Deadline.IsZero() {
		return j
	}
	other := *j
	other.Deadline = time.Time{}
	return &other
}

func (q *Queue) pop(l *lane) *Job {
	j := heap.Pop(l).(*Job)
	l.work -= j.Takes.Median
	q.count--
	return j
}

// Decision is a job that a bench may take, and which criterion chose it.
type Decision struct {
	Job
	SetUp time.Duration // before it
	By    Criterion
}

// Criterion is what decided between jobs.
type Criterion string

// The criteria in their order; see the policy in the comment of the package.
const (
	ByClass    Criterion = "priority"
	ByDeadline Criterion = "deadline"
	ByShare    Criterion = "fair share"
	BySetUp    Criterion = "set-up"
	ByOrder    Criterion = "order"
)

// Candidates calls take with the jobs that the bench may begin now, the best
// first, until take returns true: that job leaves the queue, the others stay.
// What has an Obstacle is passed over.
func (q *Queue) Candidates(b *Bench, now time.Time, take func(Decision) bool) bool {
	type refusal struct {
		job      *Job
		deadline bool
	}
	var refused []refusal
	defer func() {
		for _, r := range refused {
			q.push(r.job, r.deadline)
		}
	}()
	for {
		l, by := q.choose(b, now)
		if l == nil {
			return false
		}
		deadline := l.deadline
		d := Decision{Job: *l.head(), SetUp: l.wait, By: by}
		j := q.pop(l)
		if take(d) {
			return true
		}
		refused = append(refused, refusal{j, deadline})
	}
}

// choose finds the lane whose head the bench takes next.
func (q *Queue) choose(b *Bench, now time.Time) (*lane, Criterion) {
	left := q.open(b, now)
	if len(left) == 0 {
		return nil, ""
	}
	by := ByOrder
	narrow := func(c Criterion, keep []*lane) {
		if len(keep) < len(left) {
			by = c
		}
		left = keep
	}
	narrow(ByClass, least(left, func(l *lane) int { return l.rank }))
	if pressed := q.pressed(left, now); len(pressed) > 0 {
		narrow(ByDeadline, pressed)
		return first(left), by
	}
	q.weigh(left, now)
	narrow(ByShare, least(left, func(l *lane) int { return l.quota }))
	narrow(ByOrder, q.together(left))
	narrow(BySetUp, q.cheapest(left, b))
	return first(left), by
}

// open returns the lanes whose head the bench may begin now, with its class after
// ageing and its set-up time. A deadline that cannot be met any more is dropped
// on the way.
func (q *Queue) open(b *Bench, now time.Time) []*lane {
	var open []*lane
	for i := 0; i < len(q.bench[b.Name]); i++ { // lanes may be added behind
		l := q.bench[b.Name][i]
		if len(l.jobs) == 0 {
			continue
		}
		l.wait = q.setUp(b.SetUp, l.family)
		for l.deadline && len(l.jobs) > 0 && !l.head().missable(now.Add(l.wait)) {
			q.push(q.pop(l), false)
		}
		if len(l.jobs) == 0 || b.Obstacle(l.head(), l.wait, now, q.policy) != "" {
			continue
		}
		l.rank = l.class.rank() - int(max(0, now.Sub(l.head().Queued))/q.policy.Age)
		open = append(open, l)
	}
	return open
}

// pressed returns the lane with the earliest deadline if it is about to be
// missed: if less is left until then than all work with deadlines on the bench
// takes, and one job more that might be put before it.
func (q *Queue) pressed(lanes []*lane, now time.Time) []*lane {
	var work, one time.Duration
	for _, l := range lanes {
		one = max(one, l.wait+l.head().Takes.Quantile(0.95))
		if l.deadline {
			work += l.wait + l.work
		}
	}
	var earliest []*lane
	for _, l := range lanes {
		switch {
		case !l.deadline || l.head().Deadline.Sub(now) > work+one:
		case len(earliest) == 0 || l.head().before(earliest[0].head()):
			earliest = []*lane{l}
		}
	}
	return earliest
}

// weigh finds for each lane how much more its requester used than the one who
// used least.
func (q *Queue) weigh(lanes []*lane, now time.Time) {
	lowest := time.Duration(math.MaxInt64)
	for _, l := range lanes {
		lowest = min(lowest, q.ledger.Used(l.requester, now))
	}
	for _, l := range lanes {
		l.quota = int((q.ledger.Used(l.requester, now) - lowest) / q.policy.Quantum)
	}
}

// together returns the lanes whose head was queued soon enough after the oldest
// one to be measured before it where that saves a set-up.
func (q *Queue) together(lanes []*lane) []*lane {
	oldest := lanes[0].head().Queued
	for _, l := range lanes {
		if l.head().Queued.Before(oldest) {
			oldest = l.head().Queued
		}
	}
	limit := oldest.Add(q.policy.Batch)
	return slices.DeleteFunc(slices.Clone(lanes), func(l *lane) bool { return l.head().Queued.After(limit) })
}

// cheapest returns the lanes of the family that the bench measures next: what is
// set up, or the first on the way through all that costs least.
func (q *Queue) cheapest(lanes []*lane, b *Bench) []*lane {
	var families []Family
	for _, l := range lanes {
		if !slices.Contains(families, l.family) {
			families = append(families, l.family)
		}
	}
	next := b.SetUp
	if !slices.Contains(families, next) {
		slices.SortFunc(families, Family.compare)
		stops := make([]int, len(families))
		for i := range stops {
			stops[i] = i
		}
		way := costsOf(append(families, b.SetUp), q.setUp).shortest(len(families), stops)
		next = families[way[0]]
	}
	return slices.DeleteFunc(slices.Clone(lanes), func(l *lane) bool { return l.family != next })
}

// first returns the lane whose head goes before those of the others.
func first(lanes []*lane) *lane {
	best := lanes[0]
	for _, l := range lanes[1:] {
		if l.head().before(best.head()) {
			best = l
		}
	}
	return best
}

// least returns the lanes at which a figure is smallest, in their order.
func least(lanes []*lane, figure func(*lane) int) []*lane {
	var best []*lane
	smallest := math.MaxInt
	for _, l := range lanes {
		switch f := figure(l); {
		case f < smallest:
			smallest, best = f, append(best[:0], l)
		case f == smallest:
			best = append(best, l)
		}
	}
	return best
}

// Preempts returns the urgent job for which the run in work of a bench should
// give way at its next safe boundary. None is returned when the run is urgent
// itself, was asked already, or is about to end anyway.
func (q *Queue) Preempts(b *Bench, now time.Time) (urgent Job, found bool) {
	r := b.Running
	if r == nil || r.Class == Urgent || r.Pausing || r.Rest.Median <= r.boundary() {
		return Job{}, false
	}
	var best *lane
	for _, l := range q.open(b, now) {
		if l.class == Urgent && (best == nil || l.head().before(best.head())) {
			best = l
		}
	}
	if best == nil {
		return Job{}, false
	}
	return *best.head(), true
}
