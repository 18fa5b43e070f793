package server

import (
	"context"
	"sync"
	"time"
)

// renderings lets the streams of one page share what was rendered for it: a
// change wakes them all at once, and a wall of browsers must not slow down the
// agent that reads the same database.
type renderings struct {
	mu    sync.Mutex
	pages map[string]*rendering
}

// rendering is the newest state of one page. Whoever needs a newer one holds
// turn while making it, and the others take over what came out.
type rendering struct {
	watchers  int // streams of the page; guarded by the renderings
	turn      chan struct{}
	at        int64 // no event up to this one is missing
	begun     time.Time
	fragments []fragment
}

func newRenderings() *renderings { return &renderings{pages: map[string]*rendering{}} }

// watch returns the rendering of a page, named by the query of its stream. The
// caller calls leave when its stream ends; the last one drops the rendering.
func (r *renderings) watch(page string) (found *rendering, leave func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	found = r.pages[page]
	if found == nil {
		found = &rendering{turn: make(chan struct{}, 1)}
		r.pages[page] = found
	}
	found.watchers++
	return found, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		if found.watchers--; found.watchers == 0 {
			delete(r.pages, page)
		}
	}
}

// upTo returns fragments that miss nothing up to the given event and are no
// older than settle, made by render unless another stream has just made them.
func (r *rendering) upTo(ctx context.Context, at int64, render func(context.Context) ([]fragment, error)) ([]fragment, error) {
	select {
	case r.turn <- struct{}{}:
		defer func() { <-r.turn }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	if r.fragments != nil && r.at >= at && time.Since(r.begun) < settle {
		return r.fragments, nil
	}
	begun := time.Now()
	fragments, err := render(ctx)
	if err != nil {
		return nil, err
	}
	r.at, r.begun, r.fragments = max(r.at, at), begun, fragments
	return fragments, nil
}
