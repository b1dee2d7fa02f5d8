package store

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// A log that ends within a transaction is what a crash leaves; one that is
// damaged in its last transaction is used without it, and said to be; damaged
// before that it is refused, for SQLite would drop what came after.
func TestLogsThatAreNotWhole(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s := opened(t, path, Options{})
	_, err := s.writer.Exec("PRAGMA wal_checkpoint(TRUNCATE)")
	require.NoError(t, err)
	var ends []int // of each change in the log
	for range 4 {
		require.NoError(t, appendChange(s, "kept"))
		info, err := os.Stat(path + "-wal")
		require.NoError(t, err)
		ends = append(ends, int(info.Size()))
	}
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	log, err := os.ReadFile(path + "-wal")
	require.NoError(t, err)
	require.NoError(t, s.Close())
	turned := func(at int) []byte {
		b := append([]byte{}, log...)
		b[at] ^= 1
		return b
	}
	for _, c := range []struct {
		name   string
		log    []byte
		kept   int64
		warned bool
		refuse string
	}{
		{"whole", log, 4, false, ""},
		{"none", nil, 0, false, ""},
		{"only its head", log[:32], 0, false, ""},
		{"cut between two changes", log[:ends[2]], 3, false, ""},
		{"cut within the last change", log[:ends[3]-100], 3, false, ""},
		{"turned in the last change", turned(ends[2] + 100), 3, true, ""},
		{"turned in the one before", turned(ends[1] + 100), 0, false, "was damaged after it was written"},
		{"turned in the first", turned(32 + 100), 0, false, "was damaged after it was written"},
		{"another round's salt", turned(32 + 12), 0, false, "was damaged after it was written"},
		{"turned in its head", turned(8), 0, false, "was damaged after it was written"},
	} {
		t.Run(c.name, func(t *testing.T) {
			again := filepath.Join(t.TempDir(), "a.db")
			require.NoError(t, os.WriteFile(again, file, 0o600))
			if c.log != nil {
				require.NoError(t, os.WriteFile(again+"-wal", c.log, 0o600))
			}
			warned := ""
			s, err := Open(t.Context(), again, Options{Warn: func(text string) { warned = text }})
			if c.refuse != "" {
				require.ErrorContains(t, err, c.refuse)
				return
			}
			require.NoError(t, err)
			defer s.Close()
			require.Equal(t, c.warned, warned != "", warned)
			rows, err := verify(s)
			require.NoError(t, err)
			require.Equal(t, c.kept, rows)
			require.NoError(t, appendChange(s, "and on"))
		})
	}
}
