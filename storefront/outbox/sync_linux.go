package outbox

import (
	"errors"
	"os"
	"syscall"
)

// syncData waits until what was appended is on the disk.
func syncData(f *os.File) error {
	for {
		if err := syscall.Fdatasync(int(f.Fd())); !errors.Is(err, syscall.EINTR) {
			return err
		}
	}
}
