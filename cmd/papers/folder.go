package papers

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"doughrun/commissary"
)

// Write puts a folder in its place as a whole. One that is there already
// is moved aside first and comes back if the new one cannot be put there.
func Write(to string, files map[string][]byte) error {
	refuse := func(err error) error {
		return commissary.Refuse(commissary.Invalid, "FILE_UNWRITABLE", "the folder cannot be written: %v", err)
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return refuse(err)
	}
	made, err := os.MkdirTemp(filepath.Dir(to), "."+filepath.Base(to)+".*")
	if err != nil {
		return refuse(err)
	}
	defer os.RemoveAll(made) // gone from here when all went well
	if err := os.Chmod(made, 0o755); err != nil {
		return refuse(err)
	}
	for name, b := range files {
		if err := WriteFile(filepath.Join(made, name), b); err != nil {
			return err
		}
	}
	old := made + ".old"
	switch err := os.Rename(to, old); {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return refuse(err)
	}
	if err := os.Rename(made, to); err != nil {
		_ = os.Rename(old, to) // the old one is better than none
		return refuse(err)
	}
	if err := os.RemoveAll(old); err != nil {
		return refuse(fmt.Errorf("it is there, but the one from before is left over: %w", err))
	}
	return nil
}

// WriteFile puts a file in its place whole or not at all.
func WriteFile(name string, b []byte) error {
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
