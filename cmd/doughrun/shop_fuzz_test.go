package main

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// What a shop types is read or refused, and what is read is in its bounds.
func FuzzOrderLine(f *testing.F) {
	for _, s := range []string{"house-280=96", "house-280=48@2026-11-29", "=", "a=0", "a=-1", "a=1@", "a=99999999999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		l, err := orderLine(s)
		if err != nil {
			return
		}
		require.NotEmpty(t, l.GetItemId())
		require.Positive(t, l.GetPieces())
		require.LessOrEqual(t, l.GetPieces(), int64(quantity.MaxPieces))
		if l.GetBakeDate() != "" {
			_, err := civil.ParseDate(l.GetBakeDate())
			require.NoError(t, err)
		}
	})
}

func FuzzEvent(f *testing.F) {
	for _, s := range []string{"street party=+25%@2026-11-27", "fair=-100%@2026-11-27..2026-11-28", "=@", "x=5%@..", "x=5 %@2026-11-27"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		a, err := event(s)
		if err != nil {
			return
		}
		for _, d := range []string{a.GetFromDate(), a.GetToDate()} {
			_, err := civil.ParseDate(d)
			require.NoError(t, err)
		}
		require.Zero(t, a.GetChangePpm()%10_000)
	})
}

func FuzzReadSales(f *testing.F) {
	for _, s := range []string{"shop,item,date,sold,kind\nharbor,house-280,2026-11-25,80,\n", "shop,item,date,sold,kind\na,b,2026-13-01,-8,holiday\n", "x", "\"", "\ufeffshop,item,date,sold,kind\n\"a\nb\",c,2026-01-01,1,event"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		sales, lines, err := readSales("s.csv", s)
		if err != nil {
			return
		}
		require.NotEmpty(t, sales)
		require.Len(t, lines, len(sales))
		for _, v := range sales {
			require.GreaterOrEqual(t, v.GetPieces(), int64(0))
			_, err := civil.ParseDate(v.GetDate())
			require.NoError(t, err)
		}
	})
}
