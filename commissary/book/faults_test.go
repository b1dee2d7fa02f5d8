package book

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

// small returns a kitchen book as small as can be.
func small(t testing.TB) string {
	data, err := os.ReadFile("testdata/small.yaml")
	require.NoError(t, err)
	return string(data)
}

// faults returns what is wrong, one "file:line: text" each.
func faults(t testing.TB, err error) []string {
	if err == nil {
		return nil
	}
	var e *commissary.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, commissary.Invalid, e.Kind)
	var all []string
	for _, f := range e.Faults {
		all = append(all, f.Where+": "+f.Text)
	}
	return all
}

// change is an edit of the small book: the only place where old stands becomes new.
type change struct{ old, new string }

func edited(t testing.TB, changes ...change) string {
	text := small(t)
	for _, c := range changes {
		require.Equal(t, 1, strings.Count(text, c.old), "%q must stand once", c.old)
		text = strings.Replace(text, c.old, c.new, 1)
	}
	return text
}

func TestReadRefuses(t *testing.T) {
	for name, test := range refusals {
		t.Run(name, func(t *testing.T) {
			b, err := Read("k.yaml", []byte(edited(t, test.changes...)))
			require.Equal(t, test.want, faults(t, err))
			require.Empty(t, b)
			var e *commissary.Error
			require.True(t, errors.As(err, &e))
			require.Equal(t, "BOOK_INVALID", e.Reason)
		})
	}
}

type refusal struct {
	changes []change
	want    []string
}
