package server

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strconv"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
)

// fragment is one part of a page that is rendered anew when something changed:
// Name is the name of the stream event and of the element that takes it.
type fragment struct {
	Name string
	HTML []byte
}

// livePage is what a stream needs to know of the page behind it.
type livePage struct {
	touches   func(jobs.Event) bool
	fragments func(context.Context) ([]fragment, error)
}

// livePage returns what the stream of a page shows. The query names the page
// and carries what its address did.
func (s *Server) livePage(q url.Values) (livePage, error) {
	every := func(jobs.Event) bool { return true }
	switch name := q.Get("page"); name {
	case "board":
		return livePage{every, s.boardFragments}, nil
	case "campaigns":
		return livePage{every, s.campaignsFragments}, nil
	case "yield":
		return livePage{
			func(e jobs.Event) bool { return e.Kind == "run" || e.Kind == "campaign" },
			func(ctx context.Context) ([]fragment, error) { return s.yieldFragments(ctx, q.Get("a"), q.Get("b")) },
		}, nil
	case "pathtasks":
		return livePage{every, s.pathTasksFragments}, nil
	case "pathtask":
		id, ok := idOf(q.Get("id"))
		if !ok {
			return livePage{}, badRequest("the stream of a path task needs its id")
		}
		return livePage{every, func(ctx context.Context) ([]fragment, error) { return s.pathTaskFragments(ctx, id) }}, nil
	case "schedules":
		return livePage{every, s.schedulesFragments}, nil
	case "builds":
		return livePage{every, s.buildsFragments}, nil
	case "queue":
		return livePage{every, s.queueFragments}, nil
	case "judgements":
		return livePage{every, s.judgementsFragments}, nil
	case "judgement":
		id, ok := idOf(q.Get("id"))
		if !ok {
			return livePage{}, badRequest("the stream of a judgement needs its id")
		}
		return livePage{every, func(ctx context.Context) ([]fragment, error) { return s.judgementFragments(ctx, id) }}, nil
	case "campaign", "run":
		id, ok := idOf(q.Get("id"))
		if !ok {
			return livePage{}, badRequest("the stream of a " + name + " needs its id")
		}
		if name == "run" {
			return livePage{
				func(e jobs.Event) bool { return e.Run != nil && *e.Run == id },
				func(ctx context.Context) ([]fragment, error) { return s.runFragments(ctx, id, q.Get("show")) },
			}, nil
		}
		return livePage{
			func(e jobs.Event) bool { return e.Campaign != nil && *e.Campaign == id },
			func(ctx context.Context) ([]fragment, error) { return s.campaignFragments(ctx, id) },
		}, nil
	}
	return livePage{}, badRequest("the page of a stream is one of board, queue, campaigns, campaign, run, yield, pathtasks, pathtask, judgements, judgement, schedules, builds")
}

// streamURL is the address of the stream of a page that was rendered when the
// outbox stood at the given event.
func streamURL(name string, q url.Values, after int64) string {
	all := url.Values{"page": {name}, "after": {strconv.FormatInt(after, 10)}}
	maps.Copy(all, q)
	return "/events?" + all.Encode()
}

// streamPage is GET /events: fragments of one page, whenever they change.
func (s *Server) streamPage(c echo.Context) error {
	live, err := s.livePage(c.QueryParams())
	if err != nil {
		return err
	}
	after, err := lastEvent(c)
	if err != nil {
		return err
	}
	shared, leave := s.renderings.watch(pageKey(c.QueryParams()))
	defer leave()
	render := func(ctx context.Context, at int64) ([]fragment, error) {
		working, cancel := context.WithTimeout(ctx, answerTime)
		defer cancel()
		return shared.upTo(working, at, live.fragments)
	}
	sent, err := s.shown(c.Request().Context(), render, after)
	if err != nil {
		return err
	}
	st, err := openStream(c)
	if err != nil {
		return err
	}
	return s.follow(c, st, after, func(ctx context.Context, events []jobs.Event, at int64) error {
		if events != nil && !slices.ContainsFunc(events, live.touches) {
			return nil
		}
		fragments, err := render(ctx, at)
		if err != nil {
			return err
		}
		fragments = slices.DeleteFunc(slices.Clone(fragments), func(f fragment) bool { return bytes.Equal(sent[f.Name], f.HTML) })
		for i, f := range fragments {
			// Only the last carries the id: a reader that lost the stream before it
			// resumes before the event, and gets the rest of its fragments.
			var id int64
			if i == len(fragments)-1 {
				id = at
			}
			if err := st.send(f.Name, id, f.HTML); err != nil {
				return err
			}
			sent[f.Name] = f.HTML
		}
		return nil
	})
}

// pageKey names the page of a stream: its query without where it resumes.
func pageKey(q url.Values) string {
	q = maps.Clone(q)
	q.Del("after")
	return q.Encode()
}

// shown returns the fragments as the page has them, when nothing happened since
// it was rendered: they need not be sent. The order matters: a change commits
// together with its event, so if no event is there after rendering, nothing in
// the rendering is newer than the page.
func (s *Server) shown(ctx context.Context, render func(context.Context, int64) ([]fragment, error), after int64) (map[string][]byte, error) {
	sent := map[string][]byte{}
	fragments, err := render(ctx, after)
	if err != nil {
		return nil, err
	}
	if last, err := jobs.LastEvent(ctx, s.pool); err != nil || last != after {
		return sent, err
	}
	for _, f := range fragments {
		sent[f.Name] = f.HTML
	}
	return sent, nil
}

// streamEvents is GET /api/v1/events: the outbox itself, as JSON, optionally of
// one campaign.
func (s *Server) streamEvents(c echo.Context) error {
	campaign := c.QueryParam("campaign")
	if _, ok := idOf(campaign); campaign != "" && !ok {
		return badRequest(fmt.Sprintf("campaign %q is not an id", campaign))
	}
	after, err := lastEvent(c)
	if err != nil {
		return err
	}
	st, err := openStream(c)
	if err != nil {
		return err
	}
	return s.follow(c, st, after, func(_ context.Context, events []jobs.Event, _ int64) error {
		for _, e := range events {
			w := eventToWire(e)
			if campaign != "" && w.CampaignID != campaign {
				continue
			}
			if err := st.send("change", w.ID, encodeJSON(w)); err != nil {
				return err
			}
		}
		return nil
	})
}
