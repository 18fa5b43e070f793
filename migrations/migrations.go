// Package migrations holds the schema of the results store as numbered SQL
// files and embeds them. Files only go forward and are never edited once they
// have left a developer's machine; jobs/postgres runs them.
package migrations

import "embed"

// Files holds every numbered migration, in the format of the migration runner.
//
//go:embed *.sql
var Files embed.FS

// Floor is the number of the newest migration that a program must know to go on
// working beside this schema, while others are upgraded already. It rises with a
// migration that changes what earlier programs read or write, or that brings a
// rule of safety they do not keep; one that only adds leaves it alone.
const Floor = 16
