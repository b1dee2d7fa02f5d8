package main

import (
	"os"
	"path/filepath"

	"doughrun/commissary"
)

// writeFile puts a file in its place whole or not at all.
func writeFile(name string, b []byte) error {
	refuse := func(err error) error {
		return commissary.Refuse(commissary.Invalid, "FILE_UNWRITABLE", "the file cannot be written: %v", err)
	}
	f, err := os.CreateTemp(filepath.Dir(name), "."+filepath.Base(name)+".*")
	if err != nil {
		return refuse(err)
	}
	_, err = f.Write(b)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if err == nil {
		err = f.Sync()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		os.Remove(f.Name()) // it is only ours
		return refuse(err)
	}
	return nil
}
