package outbox

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// Whatever stands in the journal, what can be read of it is used, what cannot
// stays, and a draft put behind it is kept. A line that begins with a brace is
// given the sum that makes it whole, so that damage is found behind the sum too.
func FuzzJournal(f *testing.F) {
	b := At(f.TempDir())
	one := draft("north", 3)
	for _, do := range []func() error{
		func() error { _, err := b.Put(noon, one, false); return err },
		func() error { _, err := b.Put(noon, draft("north", 4), true); return err },
		func() error { _, err := b.Accept(noon, one.GetRequestId(), receipt(one, "1")); return err },
		func() error { _, err := b.Put(noon, draft("south", 5), true); return err },
	} {
		require.NoError(f, do())
	}
	whole, err := os.ReadFile(filepath.Join(b.dir, draftFile))
	require.NoError(f, err)
	f.Add(whole[len(draftHead)+1:])
	var bare []byte
	for _, l := range bytes.SplitAfter(whole[len(draftHead)+1:], []byte("\n")) {
		_, text, _ := bytes.Cut(l, []byte(" "))
		bare = append(bare, text...)
	}
	for _, s := range [][]byte{bare, bare[:len(bare)-1], bare[:len(bare)/2], nil, []byte("\n\n"),
		[]byte(`{"kind":"answer","id":"x","state":"accepted"}`), []byte(`{"kind":"draft","id":"x","message":{}}` + "\n" + `{"kind":"seal","id":"x"}`)} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, rest []byte) {
		text := []byte(draftHead + "\n")
		for _, l := range bytes.SplitAfter(rest, []byte("\n")) {
			if bytes.HasPrefix(l, []byte("{")) {
				text = fmt.Appendf(text, "%08x ", crc32.Checksum(bytes.TrimSuffix(l, []byte("\n")), table))
			}
			text = append(text, l...)
		}
		b := At(t.TempDir())
		require.NoError(t, os.WriteFile(filepath.Join(b.dir, draftFile), text, 0o600))
		before, err := b.Status()
		require.NoError(t, err)
		again, err := b.Status()
		require.NoError(t, err)
		require.Equal(t, before.Damaged, again.Damaged)
		sameEntries(t, before.Entries, again.Entries, "reading changes nothing")

		kept, err := b.Put(noon, draft("east", 7), false)
		require.NoError(t, err)
		after, err := b.Status()
		require.NoError(t, err)
		require.Equal(t, before.Damaged, after.Damaged)
		require.Equal(t, kept.ID, after.Entries[len(after.Entries)-1].ID)
		require.Len(t, after.Entries, len(before.Entries)+1)
		for i, e := range before.Entries {
			require.Equal(t, e.ID, after.Entries[i].ID)
			require.True(t, e.Request.GetName() == after.Entries[i].Request.GetName())
		}
	})
}
