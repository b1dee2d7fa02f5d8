package trace

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// Published keys with their check digits, each with its source.
var published = []struct{ id, source, digits, check string }{
	{"GS-1", "GS1, check digit calculator", "629104150021", "3"},
	{"GS-2", "GS1 Sweden, Så beräknas kontrollsiffran", "730001100001", "7"},
	{"GS-3", "GS1 India, check digit", "890400021003", "7"},
	{"GS-4", "IBM support, How to calculate the check digit manually", "4098765000022", "3"},
	{"GS-5", "GS1 General Specifications 7.9.1, table 7-9", "37610425002123456", "9"},
	{"GS-6", "GS1 demonstration number 09501101530003", "0950110153000", "3"},
	{"GS-7", "GS1 demonstration number 09521234543213", "0952123454321", "3"},
	{"GS-8", "Wikipedia, Universal Product Code, example", "03600024145", "7"},
}

func TestCheckDigits(t *testing.T) {
	for _, v := range published {
		got, err := CheckDigit(v.digits)
		require.NoError(t, err, v.id)
		require.Equal(t, v.check, string(got), "%s, %s", v.id, v.source)
		require.NoError(t, CheckKey(v.digits+v.check), v.id)
		// Every other last digit is wrong, and every single wrong digit shows.
		key := v.digits + v.check
		for i := range key {
			for c := byte('0'); c <= '9'; c++ {
				if wrong := key[:i] + string(c) + key[i+1:]; wrong != key {
					require.Error(t, CheckKey(wrong), "%s %s", v.id, wrong)
				}
			}
		}
	}
	require.Error(t, CheckKey("376104250021234568"), "GS-5: it must be rejected")
	for _, bad := range []string{"", "12345", "62910415002x3", "6291041500213 "} {
		require.Error(t, CheckKey(bad), bad)
	}
}

func TestLabels(t *testing.T) {
	made := civil.Date{Year: 2026, Month: time.November, Day: 26}
	last := made.AddDays(3)
	ball, err := LotLabel(commissary.Ball, "9501101530003", "20261126-03-1G", made, last)
	require.NoError(t, err)
	require.Equal(t, "(01)09501101530003(13)261126(15)261129(10)20261126-03-1G", ball.Text)
	require.NotContains(t, ball.Text, "(17)", "raw dough has a best before and never an expiry")
	pack, err := LotLabel(commissary.Pack, "09501101530003", "L1", made, last)
	require.NoError(t, err)
	require.Contains(t, pack.Text, "(17)261129")
	require.NotContains(t, pack.Text, "(15)")
	box, err := ContainerLabel("376104250021234569", "09501101530003", "L1", 12)
	require.NoError(t, err)
	require.Equal(t, "(00)376104250021234569(02)09501101530003(37)12(10)L1", box.Text)
	require.Equal(t, "003761042500212345690209501101530003"+"3712\x1d10L1", box.Data)
	require.Equal(t, 1, strings.Count(box.Data, groupEnd), "only what has no fixed length is separated")

	for _, bad := range []func() (Label, error){
		func() (Label, error) { return LotLabel(commissary.Ball, "09501101530004", "L1", made, last) },
		func() (Label, error) { return LotLabel(commissary.Ball, "09501101530003", "", made, last) },
		func() (Label, error) {
			return LotLabel(commissary.Ball, "09501101530003", strings.Repeat("L", 21), made, last)
		},
		func() (Label, error) { return ContainerLabel("09501101530003", "09501101530003", "L1", 12) },
		func() (Label, error) { return ContainerLabel("376104250021234569", "09501101530003", "L1", 0) },
	} {
		_, err := bad()
		require.Equal(t, commissary.Invalid, commissary.KindOf(err))
	}
}
