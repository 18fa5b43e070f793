// Package postgres reaches the database: it opens pools, migrates the schema,
// gives every test a database of its own and, where nobody names a database,
// runs a private PostgreSQL server.
package postgres
