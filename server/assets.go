package server

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"

	"github.com/labstack/echo/v4"

	"benchyard/web"
)

// assets are the addresses of the built scripts and styles. Built is false when
// the program was compiled without them.
type assets struct {
	Built         bool
	Script, Style string
	files         fs.FS
	bundled       map[string]bool // names that carry a hash of their content
}

func loadAssets() (assets, error) {
	dist, err := fs.Sub(web.Dist, "dist")
	if err != nil {
		return assets{}, err
	}
	return readManifest(dist)
}

func readManifest(dist fs.FS) (assets, error) {
	raw, err := fs.ReadFile(dist, "manifest.json")
	if errors.Is(err, fs.ErrNotExist) {
		return assets{files: dist}, nil
	}
	if err != nil {
		return assets{}, fmt.Errorf("server: read the asset manifest: %w", err)
	}
	var names map[string]string
	if err := json.Unmarshal(raw, &names); err != nil {
		return assets{}, fmt.Errorf("server: asset manifest is not valid, build it again with make web: %w", err)
	}
	if names["app.js"] == "" || names["style.css"] == "" {
		return assets{}, errors.New("server: asset manifest lacks app.js or style.css, build it again with make web")
	}
	bundled := map[string]bool{}
	for _, name := range names {
		bundled[name] = true
	}
	return assets{Built: true, Script: "/assets/" + names["app.js"], Style: "/assets/" + names["style.css"], files: dist, bundled: bundled}, nil
}

// notices is the file with the licences of what the bundle contains of others.
const notices = "notices.txt"

// serveAsset answers with one file of the bundle or with the notices, and knows
// no other name: no listing, no path. Names in the bundle carry a hash of their
// content, so a browser may keep them for good.
func (s *Server) serveAsset(c echo.Context) error {
	name := c.Param("*")
	if !s.assets.bundled[name] && (name != notices || !s.assets.Built) {
		return fmt.Errorf("server: asset %q: %w", name, errNotFound)
	}
	if s.assets.bundled[name] {
		c.Response().Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	http.ServeFileFS(c.Response(), c.Request(), s.assets.files, name)
	return nil
}
