package server

import (
	"context"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"benchyard/jobs"
)

// forecasts keeps the newest forecast of the queue for a while when it took long
// to make: a hundred thousand runs take seconds, and every page shows it.
type forecasts struct {
	mu   sync.Mutex
	last jobs.Forecast
	good time.Time // until when last is
}

// A forecast that took longer than quickForecast is kept for so many times as long.
const (
	quickForecast = 100 * time.Millisecond
	keptForecast  = 10
)

// current returns the forecast as it is now, or was a moment ago.
func (f *forecasts) current(ctx context.Context, pool *pgxpool.Pool) (jobs.Forecast, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	began := time.Now()
	if began.Before(f.good) {
		return f.last, nil
	}
	made, err := jobs.ETA(ctx, pool)
	if err != nil {
		return made, err
	}
	f.last = made
	if took := time.Since(began); took > quickForecast {
		f.good = time.Now().Add(keptForecast * took)
	}
	return made, nil
}
