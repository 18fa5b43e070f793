//go:build depsonly

package benchyard

import (
	_ "github.com/alecthomas/kong"
	_ "github.com/getkin/kin-openapi/openapi3"
	_ "github.com/goccy/go-yaml"
	_ "github.com/goccy/go-yaml/ast"
	_ "github.com/goccy/go-yaml/parser"
	_ "github.com/google/uuid"
	_ "github.com/jackc/pgx/v5"
	_ "github.com/jackc/pgx/v5/pgxpool"
	_ "github.com/jackc/pgx/v5/stdlib"
	_ "github.com/klauspost/compress/zstd"
	_ "github.com/labstack/echo/v4"
	_ "github.com/labstack/echo/v4/middleware"
	_ "github.com/pressly/goose/v3"
	_ "github.com/riverqueue/river"
	_ "github.com/riverqueue/river/riverdriver/riverpgxv5"
	_ "github.com/riverqueue/river/rivermigrate"
	_ "go.uber.org/goleak"
	_ "golang.org/x/sync/errgroup"
	_ "golang.org/x/sys/unix"
	_ "golang.org/x/term"
	_ "gonum.org/v1/gonum/stat/distuv"
)
