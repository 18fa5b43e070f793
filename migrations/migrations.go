// Package migrations holds the schema of the results store as numbered SQL
// files and embeds them. Files only go forward and are never edited once they
// have left a developer's machine; jobs/postgres runs them.
package migrations

import "embed"

// Files holds every numbered migration, in the format of the migration runner.
//
//go:embed *.sql
var Files embed.FS
