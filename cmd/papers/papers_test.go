package papers

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/sheet"
	v1 "doughrun/proto/doughrun/v1"
)

// Writing that the fonts at hand cannot set is printed by a browser; without
// one its PDF is missing, and that is said.
func TestWritingThatNeedsABrowser(t *testing.T) {
	print := func(name string) (folder, string) {
		paper := sheet.ManifestPaper(&v1.Dispatch{Manifests: []*v1.Manifest{{RunId: "north", Stops: []*v1.ManifestStop{{ShopName: name}}}}})
		said := ""
		f := folder{files: map[string][]byte{}, Printer: Printer{At: time.Unix(1_795_000_000, 0), Size: sheet.A4, Talk: func(format string, args ...any) { said += fmt.Sprintf(format, args...) }}}
		require.NoError(t, f.add(paper))
		require.Contains(t, f.files, "manifests.html")
		require.Contains(t, f.files, "manifests.txt")
		return f, said
	}
	t.Run("with one", func(t *testing.T) {
		if _, err := exec.LookPath("chromium"); err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatal("chromium is not installed")
			}
			t.Skip("SKIPPED: chromium is not installed")
		}
		f, said := print("عجين")
		require.Empty(t, said)
		require.True(t, bytes.HasPrefix(f.files["manifests.pdf"], []byte("%PDF-")))
		// Nor does it print empty boxes for what no font has.
		f, said = print("House \U00030000 dough")
		require.NotContains(t, f.files, "manifests.pdf")
		require.Contains(t, said, "no font on this machine has \"\U00030000\"")
	})
	t.Run("without", func(t *testing.T) {
		t.Setenv("PATH", "")
		f, said := print("عجين")
		require.NotContains(t, f.files, "manifests.pdf")
		require.Contains(t, said, "manifests.pdf is missing")
		require.Contains(t, said, "no Chromium is installed")
	})
}

// A folder is whole or not there: when it cannot be put in its place, the one
// from before stays.
func TestAFolderIsWholeOrNotThere(t *testing.T) {
	dir := t.TempDir()
	to := filepath.Join(dir, "night")
	require.NoError(t, Write(to, map[string][]byte{"a.txt": []byte("1"), "b.txt": []byte("2")}))
	require.Equal(t, []string{"a.txt", "b.txt"}, names(t, to))
	require.Error(t, Write(to, map[string][]byte{"a.txt": []byte("3"), "no/such": nil}))
	require.Equal(t, "1", read(t, filepath.Join(to, "a.txt")))
	require.Equal(t, []string{"night"}, names(t, dir))
	require.NoError(t, Write(to, map[string][]byte{"c.txt": nil}))
	require.Equal(t, []string{"c.txt"}, names(t, to))
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	list := []string{}
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(b)
}
