package postgres

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// oldestMajor is the oldest PostgreSQL that the schema and the queue work on.
const oldestMajor = 14

// programs is one installed set of PostgreSQL programs.
type programs struct {
	dir   string // holds postgres and initdb
	major int    // 15 for 15.18
}

func (p programs) path(name string) string { return filepath.Join(p.dir, name) }

// search tells where to look for the programs. Its zero value finds nothing.
type search struct {
	flag     string   // a directory that somebody named; nothing else is tried then
	patterns []string // directories with one * for the version
	path     string   // list of directories in the form of $PATH
}

// systemSearch is the order of platform practice: the directory that was
// named, the versioned directories of Debian and of RHEL, then $PATH.
func systemSearch(flag string) search {
	return search{
		flag:     flag,
		patterns: []string{"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin"},
		path:     os.Getenv("PATH"),
	}
}

// find returns the programs of version major or, when major is zero, the
// newest ones. Having only another version is not an error here: the caller
// knows what to say about the data directory.
func (s search) find(ctx context.Context, major int) (programs, error) {
	var best programs
	var seen []string
	for _, dir := range s.directories() {
		p, err := inspect(ctx, dir)
		if err != nil {
			if s.flag != "" && ctx.Err() == nil {
				return programs{}, err
			}
			continue
		}
		if p.major < oldestMajor {
			seen = append(seen, fmt.Sprintf("%s is version %d", p.dir, p.major))
			continue
		}
		if p.major == major {
			return p, nil
		}
		if p.major > best.major {
			best = p
		}
	}
	switch {
	case ctx.Err() != nil:
		return programs{}, fmt.Errorf("postgres: looking for PostgreSQL programs: %w", ctx.Err())
	case best.major > 0:
		return best, nil
	case len(seen) > 0:
		return programs{}, fmt.Errorf("postgres: PostgreSQL %d or newer is needed, but %s; install it with `apt-get install postgresql`, or name a database with --database-url",
			oldestMajor, strings.Join(seen, ", "))
	}
	return programs{}, fmt.Errorf("postgres: no PostgreSQL programs found; install them with `apt-get install postgresql`, or name a database with --database-url")
}

func (s search) directories() []string {
	if s.flag != "" {
		return []string{s.flag}
	}
	var dirs []string
	for _, pattern := range s.patterns {
		found, _ := filepath.Glob(pattern) // only a malformed pattern is an error
		dirs = append(dirs, found...)
	}
	for _, dir := range filepath.SplitList(s.path) {
		if filepath.IsAbs(dir) {
			dirs = append(dirs, dir)
		}
	}
	return dirs
}

var versionPattern = regexp.MustCompile(`PostgreSQL\)? (\d+)`)

// inspect asks the server program in dir for its version. It needs no
// privilege to be dropped: `postgres -V` works as root too.
func inspect(ctx context.Context, dir string) (programs, error) {
	for _, name := range []string{"postgres", "initdb"} {
		info, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			return programs{}, fmt.Errorf("postgres: no PostgreSQL programs in %s: %w", dir, err)
		}
		if info.IsDir() || info.Mode()&0o111 == 0 {
			return programs{}, fmt.Errorf("postgres: %s in %s is not a program", name, dir)
		}
	}
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "-V").Output()
	if err != nil {
		return programs{}, fmt.Errorf("postgres: asking %s/postgres for its version: %w", dir, err)
	}
	match := versionPattern.FindSubmatch(out)
	if match == nil {
		return programs{}, fmt.Errorf("postgres: %s/postgres gives the version %q, which is none", dir, out)
	}
	major, err := strconv.Atoi(string(match[1]))
	if err != nil {
		return programs{}, fmt.Errorf("postgres: version of %s/postgres: %w", dir, err)
	}
	return programs{dir: dir, major: major}, nil
}
