package store

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/store/storetest"
)

// examined returns what was not well.
func examined(t *testing.T, s *Store, at time.Time) (bad []string) {
	all, err := s.Examine(t.Context(), at)
	require.NoError(t, err)
	require.NotEmpty(t, all)
	for _, f := range all {
		require.NotEmpty(t, f.Text, f.What)
		if !f.Well {
			bad = append(bad, f.What)
		}
	}
	return bad
}

// Everything that Examine looks at is found when it is wrong.
func TestExamine(t *testing.T) {
	s := opened(t, filepath.Join(t.TempDir(), "facts.db"), Options{})
	defer s.Close()
	require.Empty(t, examined(t, s, now))
	storetest.Fill(t, s)
	require.NoError(t, appendChange(s, "closed"))
	require.Empty(t, examined(t, s, now))
	require.Equal(t, []string{"clock"}, examined(t, s, now.Add(-time.Hour)))
	damage := func(statement string) {
		t.Helper()
		_, err := s.writer.Exec(statement)
		require.NoError(t, err)
	}
	damage("PRAGMA foreign_keys = 0; DELETE FROM orders WHERE revision = 1")
	require.Equal(t, []string{"references", "record of changes"}, examined(t, s, now))
	damage("DROP TRIGGER changes_unchanged; UPDATE changes SET who = 'nobody' WHERE seq = 1")
	require.Equal(t, []string{"references", "tables", "record of changes"}, examined(t, s, now))
}

// The PostgreSQL of the tests does not wait for the disk, which is found.
func TestExaminePostgres(t *testing.T) {
	p := storetest.StartPostgres(t)
	s := opened(t, p.Database(t), Options{})
	defer s.Close()
	require.Equal(t, []string{"fsync"}, examined(t, s, now))
}
