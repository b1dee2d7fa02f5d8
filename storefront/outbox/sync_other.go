//go:build !linux

package outbox

import "os"

func syncData(f *os.File) error { return f.Sync() }
