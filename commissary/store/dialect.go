package store

import (
	"embed"
	"io/fs"

	"github.com/pressly/goose/v3"
)

// Migrations are numbered files, one folder a database. They only go forward:
// the way back is a backup.
//
//go:embed migrations
var migrations embed.FS

// dialect is what differs between the databases behind the store. Statements
// do not: they keep to what SQLite and PostgreSQL both understand, numbered
// placeholders ($1), ON CONFLICT and RETURNING included, pass dates as text
// and instants as numbers, and refuse by the count of rows they touched
// rather than by a failure, which in PostgreSQL would end the transaction.
type dialect struct {
	name goose.Dialect
	// folder holds the migrations.
	folder string
	// sort says what an error of the database means.
	sort func(error) trouble
}

// trouble is what an error of the database means for the statement that met it.
type trouble int8

const (
	refused  trouble = iota // the statement is wrong: a fault of this program
	taken                   // a key is in use already
	dangling                // a foreign key names nothing
	busy                    // somebody else holds the database
	broken                  // the database itself failed: nothing more may be written
)

// files returns the dialect's migrations.
func (d dialect) files() (fs.FS, error) { return fs.Sub(migrations, d.folder) }
