//go:build !unix

package outbox

import "os"

// lock is held by the name of a file that nobody else could make. Where a
// process was killed the file stays, and the error names it.
func lock(path string) (func() error, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return nil, err
	}
	return func() error {
		if err := f.Close(); err != nil {
			return err
		}
		return os.Remove(path)
	}, nil
}

// syncFolder does nothing where folders cannot be synced.
func syncFolder(string) error { return nil }
