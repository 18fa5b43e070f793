package server

import (
	"bytes"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"path"
	"time"

	"github.com/labstack/echo/v4"

	"benchyard/jobs"
	"benchyard/server/api"
	"benchyard/web"
)

// templates are the parsed pages by name. Each holds the layout, the shared
// parts and its own fragments.
type templates map[string]*template.Template

// The template files every page may use.
const (
	layoutFile = "layout.html"
	partsFile  = "parts.html"
)

func parseTemplates(zone *time.Location) (templates, error) {
	files, err := fs.Sub(web.Templates, "templates")
	if err != nil {
		return nil, err
	}
	names, err := fs.Glob(files, "*.html")
	if err != nil {
		return nil, err
	}
	base, err := template.New("").Funcs(functions(zone)).ParseFS(files, layoutFile, partsFile)
	if err != nil {
		return nil, fmt.Errorf("server: parse templates: %w", err)
	}
	pages := templates{}
	for _, name := range names {
		if name == layoutFile || name == partsFile {
			continue
		}
		t, err := base.Clone()
		if err != nil {
			return nil, fmt.Errorf("server: parse templates: %w", err)
		}
		if t, err = t.ParseFS(files, name); err != nil {
			return nil, fmt.Errorf("server: parse templates: %w", err)
		}
		pages[path.Base(name[:len(name)-len(".html")])] = t
	}
	return pages, nil
}

// page is what the layout needs around the data of one page.
type page struct {
	Title     string
	Section   string // which entry of the navigation is current
	Simulated bool
	Stream    string // address of the live stream; empty for a page that stands still
	Data      any

	Nonce   string
	Assets  assets
	Version string
	Zone    string // offset of the times shown, e.g. "UTC+01:00"
}

// render executes a whole page into memory first, so that a failing template
// gives an error page and never half a page.
func (s *Server) render(c echo.Context, status int, name string, p page) error {
	p.Nonce, _ = c.Get(nonceKey).(string)
	p.Assets, p.Version = s.assets, s.version
	p.Zone = zoneName(time.Now().In(s.location))
	var b bytes.Buffer
	if err := s.pages[name].ExecuteTemplate(&b, "layout", p); err != nil {
		return fmt.Errorf("server: render %s: %w", name, err)
	}
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.HTMLBlob(status, b.Bytes())
}

// part names a template of a page, the event it goes out under, and its data.
type part struct {
	Template, Event string
	Data            any
}

// fragments renders parts of a page.
func (s *Server) fragments(pageName string, parts ...part) ([]fragment, error) {
	out := make([]fragment, 0, len(parts))
	for _, p := range parts {
		var b bytes.Buffer
		if err := s.pages[pageName].ExecuteTemplate(&b, p.Template, p.Data); err != nil {
			return nil, fmt.Errorf("server: render %s: %w", p.Template, err)
		}
		out = append(out, fragment{Name: p.Event, HTML: b.Bytes()})
	}
	return out, nil
}

func (s *Server) renderError(c echo.Context, p *api.Problem) error {
	return s.render(c, p.Status, "error", page{
		Title: p.Title, Simulated: s.labSimulated(c.Request().Context()), Data: p,
	})
}

func writeProblem(c echo.Context, p *api.Problem) error {
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.Blob(p.Status, api.ProblemType, encodeJSON(p))
}

func writeJSON(c echo.Context, status int, v any) error {
	c.Response().Header().Set("Cache-Control", "no-store")
	return c.JSONBlob(status, encodeJSON(v))
}

func eventToWire(e jobs.Event) api.Event {
	return api.Event{ID: e.ID, At: e.At, Kind: e.Kind, CampaignID: idOrEmpty(e.Campaign), RunID: idOrEmpty(e.Run), Bench: e.Bench, Body: e.Body}
}

// functions are what templates may call: printing of quantities, times and
// verdicts. None of them returns markup.
func functions(zone *time.Location) template.FuncMap {
	fm := template.FuncMap{
		"when":  func(t any) string { return whenText(t, zone) },
		"clock": func(t any) string { return clockText(t, zone) },
	}
	maps.Copy(fm, promptFunctions())
	maps.Copy(fm, figureFunctions())
	maps.Copy(fm, drawingFunctions())
	maps.Copy(fm, limitFunctions())
	maps.Copy(fm, judgementFunctions())
	maps.Copy(fm, explanationFunctions())
	maps.Copy(fm, populationFunctions())
	maps.Copy(fm, curveFunctions())
	maps.Copy(fm, pathTaskFunctions())
	maps.Copy(fm, pathFunctions())
	return fm
}
