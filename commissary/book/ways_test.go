package book

import (
	"errors"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

// A matrix of ways stands in a file beside the book, whose lines keep their numbers.
func TestWaysOfAFile(t *testing.T) {
	text := edited(t, change{"\nruns:\n", "\nroads: {file: ways.csv} # of the map\nruns:\n"})
	_, err := Read("k.yaml", []byte(text))
	require.Equal(t, 1, len(faults(t, err)))
	require.Contains(t, faults(t, err)[0], `the ways in "ways.csv" are not in the book yet`)

	with := func(csv string) ([]byte, error) {
		return WithWays([]byte(text), func(name string) ([]byte, error) {
			require.Equal(t, "ways.csv", name)
			return []byte(csv), nil
		})
	}
	whole, err := with("\uFEFFfrom,to,minutes,km\r\nkitchen,north,12,5.2\r\nnorth,kitchen,14.5,6\r\n")
	require.NoError(t, err)
	require.Equal(t, strings.Count(text, "\n"), strings.Count(string(whole), "\n"))
	require.Contains(t, string(whole), "# of the map")
	b, err := Read("k.yaml", whole)
	require.NoError(t, err)
	require.Equal(t, "ways.csv", b.Roads.File)
	require.Equal(t, []commissary.Way{{From: "kitchen", To: "north", Time: 720, Metres: 5200}, {From: "north", To: "kitchen", Time: 870, Metres: 6000}}, b.Roads.Ways)
	same, err := WithWays(whole, func(string) ([]byte, error) { return nil, errors.New("read twice") })
	require.NoError(t, err)
	require.Equal(t, string(whole), string(same))
	miles, err := with("from,to,minutes,miles\nkitchen,north,12,3\n")
	require.NoError(t, err)
	b, err = Read("k.yaml", miles)
	require.NoError(t, err)
	require.Equal(t, int64(4828), b.Roads.Ways[0].Metres)

	_, err = with("from,to,minutes,km\nkitchen,nort,12,5\nkitchen,kitchen,1,1\nkitchen,north,0,5\nkitchen,north,1,far\nkitchen,north,1,1\nkitchen,north,1,1\nx\n")
	require.Equal(t, []string{
		`ways.csv:2: there is no shop "nort" in the kitchen book; did you mean "north"?`,
		`ways.csv:3: a way leads from one place to another; take the row out`,
		`ways.csv:4: "0" minutes and "5" km are no way; write both above 0 as numbers, for example 12 and 5.2`,
		`ways.csv:5: "1" minutes and "far" km are no way; write both above 0 as numbers, for example 12 and 5.2`,
		`ways.csv:7: the way from "kitchen" to "north" stands on line 6 already; keep one`,
		`ways.csv:8: 1 value where the header has 4 (from, to, minutes, km)`,
	}, faults(t, err))
	_, err = with("from,to,time\n")
	require.Contains(t, faults(t, err)[0], "ways.csv:1: the header is")
	_, err = WithWays([]byte(text), func(string) ([]byte, error) { return nil, os.ErrNotExist })
	require.ErrorIs(t, err, os.ErrNotExist)
	for _, other := range []string{"", "a: [", "roads: {file: }", "roads: 5", "roads: {ways: {}}", "roads:\n  file: >\n    ways.csv\n"} {
		got, err := WithWays([]byte(other), func(string) ([]byte, error) { return nil, nil })
		require.NoError(t, err, other)
		require.NotNil(t, got)
	}
	both, err := with("from,to,minutes,km\nkitchen,north,12,5.2\n")
	require.NoError(t, err)
	_, err = Read("k.yaml", []byte(strings.Replace(string(both), "roads: {", "roads: {ways: {kitchen: {north: \"1 min, 1 km\"}}, ", 1)))
	require.Contains(t, faults(t, err)[0], "keep one")
}
