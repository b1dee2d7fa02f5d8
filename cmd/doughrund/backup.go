package main

import (
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/store"
	"doughrun/config"
)

func backupCommand() *cobra.Command {
	return databaseCommand(&cobra.Command{
		Use:   "backup FILE",
		Short: "Write all facts into a new file, while the service runs",
		Long: `Write all facts into a new file, while the service runs. The file is for its
owner alone, holds no tokens but their hashes, and is read back and compared
before it gets its name. Copy it to another machine.`,
		Args: cobra.ExactArgs(1),
	}, true, func(cmd *cobra.Command, facts *store.Store, args []string) error {
		e, err := store.Backup(cmd.Context(), facts, args[0])
		return extent(cmd, args[0], e, err)
	})
}

func restoreCommand() *cobra.Command {
	var fromRecord bool
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Put the facts of a backup into a database that holds none",
		Long: `Put the facts of a backup into a database that holds none, before the service
is started on it. What was saved after the backup is not in it: callers send it
again with the same request ids. A backup of which rows were altered is refused;
while its record of changes verifies, --from-record computes the facts from that.`,
		Args: cobra.ExactArgs(1),
	}
	cmd.Flags().BoolVar(&fromRecord, "from-record", false, "compute the facts from the record of changes, whatever the backup's rows say")
	return databaseCommand(cmd, false, func(cmd *cobra.Command, facts *store.Store, args []string) error {
		way := store.Copy
		if fromRecord {
			way = store.Rebuild
		}
		e, err := store.Restore(cmd.Context(), args[0], facts, way)
		return extent(cmd, "the database", e, err)
	})
}

func migrateCommand() *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use:   "migrate",
		Short: "Move all facts to another database, for good",
		Long: `Move all facts to another database, for good: from a file to PostgreSQL when one
machine is outgrown, or back. The new one must hold no facts. Once every row has
been read back and compared, the old database takes no more changes, not even
from a service that runs on it. Start the service on the new one then.`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().StringVar(&to, "to", "", "the other database: a file, or postgres://USER@HOST/DATABASE with the password in the file that PGPASSFILE names")
	required(cmd, "to")
	return databaseCommand(cmd, true, func(cmd *cobra.Command, facts *store.Store, _ []string) error {
		if _, secret := config.Redact(to); secret {
			return &failure{exitUsage, errors.New("--to holds a password, which every program on this machine could read; put it into the file that PGPASSFILE names")}
		}
		target, err := openFacts(cmd, to)
		if err != nil {
			return err
		}
		e, err := store.Move(cmd.Context(), facts, target, to)
		return extent(cmd, to, e, errors.Join(err, target.Close()))
	})
}

// extent says what has been copied.
func extent(cmd *cobra.Command, where string, e store.Extent, err error) error {
	if err == nil {
		fmt.Fprintf(cmd.OutOrStdout(), "%s holds %d rows, SHA-256 %s\n", where, e.Rows, e.Hash)
	}
	return err
}

// openFacts opens a database for a command, which passes on what the store says.
func openFacts(cmd *cobra.Command, database string) (*store.Store, error) {
	return store.Open(cmd.Context(), database, store.Options{Warn: func(text string) { fmt.Fprintln(cmd.ErrOrStderr(), "doughrund: "+text) }})
}

// databaseCommand makes a command of a function that works on the database of
// the settings; there says that it must be there already.
func databaseCommand(cmd *cobra.Command, there bool, f func(*cobra.Command, *store.Store, []string) error) *cobra.Command {
	config.AddFlags[config.Service](cmd.Flags())
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return act(func(cmd *cobra.Command) error {
			settings, _, err := loadSettings(cmd)
			if err != nil {
				return err
			}
			if there {
				if err := mustBeThere(settings.Database); err != nil {
					return err
				}
			}
			facts, err := openFacts(cmd, settings.Database)
			if err != nil {
				return err
			}
			return errors.Join(f(cmd, facts, args), facts.Close())
		})(cmd, args)
	}
	return cmd
}

// mustBeThere refuses the name of a file that would only be made.
func mustBeThere(database string) error {
	if store.IsPostgres(database) {
		return nil
	}
	if _, err := os.Stat(database); err != nil {
		return commissary.Refuse(commissary.Invalid, "DATABASE_MISSING", "there is no database %s; name it with --database", database)
	}
	return nil
}
