// Package web holds what a browser is given: page templates, and the scripts
// and styles that `make web` bundles into dist. Only a marker is committed in
// dist; a program built without the bundle still serves every page, plots and
// live updates aside.
//
//	templates/   html/template sources, one file per page, layout.html around them
//	src/         TypeScript and CSS
//	build.mjs    bundles src into dist under names with content hashes
//	test/        the browser test
package web

import "embed"

// Templates holds the page templates under "templates".
//
//go:embed templates
var Templates embed.FS

// Dist holds the built bundle under "dist": a manifest.json that maps the plain
// names of scripts and styles to their hashed ones, and those files. It holds
// nothing but a marker when the bundle was not built.
//
//go:embed all:dist
var Dist embed.FS
