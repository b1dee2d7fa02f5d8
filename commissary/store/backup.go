package store

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"

	"doughrun/commissary"
)

// Backup writes all facts of a store, as they are at one instant, into a new
// file, for its owner alone. The store goes on meanwhile. The file is an SQLite
// database whatever the store is on; it appears under its name when it is
// whole, verified and on the disk.
func Backup(ctx context.Context, from *Store, file string) (e Extent, err error) {
	if _, err := os.Lstat(file); err == nil {
		return e, commissary.Refuse(commissary.Precondition, "FILE_EXISTS", "%s is there already, and a backup is never overwritten; choose another name", file)
	}
	return e, aside(file, func(part string) error {
		to, err := Open(ctx, part, Options{Readers: 1})
		if err != nil {
			return err
		}
		e, err = Copy(ctx, from, to)
		if err := errors.Join(err, to.Close()); err != nil { // closing leaves one file
			return err
		}
		if err := syncFile(part); err != nil {
			return err
		}
		if err := os.Link(part, file); err != nil { // which overwrites nothing
			return err
		}
		return syncFolder(file)
	})
}

// Restore puts the facts of a backup into a store that holds none yet. The file
// stays as it is. One of an earlier version of the program will do. The way is
// Copy, or Rebuild when rows of it were altered.
func Restore(ctx context.Context, file string, to *Store, way func(ctx context.Context, from, to *Store) (Extent, error)) (e Extent, err error) {
	if info, err := os.Stat(file + "-wal"); err == nil && info.Size() > 0 {
		return e, commissary.Refuse(commissary.Precondition, "FILE_IN_USE", "%s is a database in use, or one that was not closed (there is %[1]s-wal); take a backup of it with: doughrund backup FILE --database %[1]s", file)
	}
	return e, aside(file, func(part string) error {
		if err := duplicate(file, part); err != nil {
			return err
		}
		from, err := Open(ctx, part, Options{Readers: 1})
		if err != nil {
			return err
		}
		e, err = way(ctx, from, to)
		return errors.Join(err, from.Close())
	})
}

// aside gives f the name of a file in a folder of its own beside the named one,
// which is gone with everything in it afterwards.
func aside(file string, f func(part string) error) error {
	dir, err := os.MkdirTemp(filepath.Dir(file), ".doughrun-")
	if err != nil {
		return err
	}
	return errors.Join(f(filepath.Join(dir, filepath.Base(file))), os.RemoveAll(dir))
}

func duplicate(file, to string) error {
	in, err := os.Open(file)
	if err != nil {
		return err
	}
	defer in.Close() // it was only read
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

func syncFile(file string) error {
	f, err := os.Open(file)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
