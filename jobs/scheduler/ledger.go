package scheduler

import (
	"math"
	"time"
)

// Ledger keeps how much bench time each requester used, recent use counting
// most: what was used one half-life ago counts half.
type Ledger struct {
	halfLife time.Duration
	accounts map[string]account
}

type account struct {
	used time.Duration
	at   time.Time // when it was as much
}

// NewLedger returns an empty ledger under a policy.
func NewLedger(p Policy) *Ledger {
	return &Ledger{halfLife: p.withDefaults().HalfLife, accounts: map[string]account{}}
}

// Charge adds bench time that a requester used until a moment. What is charged
// for an earlier moment than another one counts as much as it would have.
func (l *Ledger) Charge(requester string, d time.Duration, at time.Time) {
	a := l.accounts[requester]
	if at.Before(a.at) {
		a.used += l.decayed(d, a.at.Sub(at))
	} else {
		a.used, a.at = l.decayed(a.used, at.Sub(a.at))+d, at
	}
	l.accounts[requester] = a
}

// Used returns what counts of the use of a requester at a moment.
func (l *Ledger) Used(requester string, at time.Time) time.Duration {
	a, known := l.accounts[requester]
	if !known {
		return 0
	}
	return l.decayed(a.used, at.Sub(a.at))
}

func (l *Ledger) decayed(d, age time.Duration) time.Duration {
	return time.Duration(float64(d) * math.Exp2(-float64(age)/float64(l.halfLife)))
}

// Clone returns a copy that is charged on its own.
func (l *Ledger) Clone() *Ledger {
	c := &Ledger{halfLife: l.halfLife, accounts: make(map[string]account, len(l.accounts))}
	for r, a := range l.accounts {
		c.accounts[r] = a
	}
	return c
}

// HalfLife returns the time after which use counts half.
func (l *Ledger) HalfLife() time.Duration { return l.halfLife }
