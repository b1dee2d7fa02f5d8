package store

import (
	"database/sql"
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
	// migrating holds off other programs while this one migrates, and lets them
	// on; empty where the file's own locks do.
	migrating, migrated string
	// sort says what an error of the database means.
	sort func(error) trouble
	// texts is a query for the elements of a JSON array of texts.
	texts func(placeholder string) string
	// snapshot is the isolation that lets all statements of a view see one state.
	snapshot sql.IsolationLevel
	// gate is run first in every transaction that writes, so that they come one
	// after the other whichever program they are of. Empty where one connection
	// at a time can write anyway.
	gate string
	// scope narrows the rest of a transaction to a kitchen's rows, as the
	// policies of the tables say. Empty where there are none.
	scope string
	// numbering lets a copy set the numbers that the database gives to rows, and
	// renumber lets it go on after them; empty where neither needs saying.
	numbering, renumber string
	// examined is what Examine asks.
	examined []examination
	// recovers is set where the database is a program of its own, which after
	// a failure is asked again. Elsewhere this program must open its file afresh.
	recovers bool
}

// trouble is what an error of the database means for the statement that met it.
type trouble int8

const (
	refused  trouble = iota // the statement is wrong: a fault of this program
	taken                   // a key is in use already
	dangling                // a foreign key names nothing
	busy                    // somebody else holds the database
	full                    // the disk is: nothing was written, and nothing can be until there is room
	again                   // it met another transaction: the same, run again, goes through
	broken                  // the database itself failed: nothing more may be written
)

// files returns the dialect's migrations.
func (d dialect) files() (fs.FS, error) { return fs.Sub(migrations, d.folder) }
