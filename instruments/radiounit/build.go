package radiounit

import (
	"context"
	"errors"
	"fmt"
	"time"

	"benchyard/instruments/dialect"
	"benchyard/instruments/scpi"
	"benchyard/instruments/shell"
)

const (
	// loadTimeout bounds the loading of a build when the context does not.
	loadTimeout = 15 * time.Minute
	// loadPause is the time between looks at a unit that does not answer: it
	// restarts while it loads.
	loadPause = time.Second
)

// ErrBuild: the unit runs another build after loading.
var ErrBuild = errors.New("the unit runs another build")

// LoadBuild loads a firmware build and waits until it runs. A unit that runs it
// already is left alone. Loading drops the carrier; the unit may restart, and
// its connection may be lost meanwhile. The context ends the wait, not the
// loading. Without a deadline of its own it takes 15 minutes at most.
func (u *RadioUnit) LoadBuild(ctx context.Context, name string) error {
	running, err := u.text(ctx, "build")
	if errors.Is(err, scpi.ErrRestarted) {
		running, err = u.text(ctx, "build") // a fresh unit is fine here
	}
	if err != nil || running == name {
		return err
	}
	err = u.tell(ctx, "build", dialect.Values{"build": dialect.Name(name)})
	// A unit may restart before it has answered; the build it runs then decides.
	if err != nil && (scpi.SafeToRetry(err) || refused(err) || ctx.Err() != nil) {
		return fmt.Errorf("radiounit: load build %s: %w", name, err)
	}
	if err == nil {
		running, err = u.text(ctx, "build")
	}
	if err != nil {
		limited, cancel := context.WithTimeout(ctx, loadTimeout)
		defer cancel()
		if running, err = u.awaitBuild(limited); err != nil {
			return fmt.Errorf("radiounit: load build %s: %w", name, err)
		}
	}
	if running != name {
		return fmt.Errorf("radiounit: load build %s: %w: %s", name, ErrBuild, running)
	}
	return nil
}

// refused reports whether the unit itself said no.
func refused(err error) bool {
	var queued *scpi.Error
	var said *shell.Refusal
	return errors.As(err, &queued) || errors.As(err, &said)
}

// awaitBuild waits until the unit is idle and returns the build it runs then. A
// unit that cannot be reached for a while is restarting.
func (u *RadioUnit) awaitBuild(ctx context.Context) (string, error) {
	for {
		err := u.control.Run(ctx, loadTimeout)
		if err == nil {
			var running string
			if running, err = u.text(ctx, "build"); err == nil {
				return running, nil
			}
		}
		if ctx.Err() != nil || errors.Is(err, scpi.ErrRefused) || errors.Is(err, scpi.ErrWrongInstrument) || errors.Is(err, scpi.ErrClosed) {
			return "", err
		}
		if errors.Is(err, scpi.ErrRestarted) {
			continue
		}
		pause := time.NewTimer(loadPause)
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return "", fmt.Errorf("%w; the unit answered last: %w", context.Cause(ctx), err)
		}
	}
}
