package book

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

func demoNight(t testing.TB, file string) []byte {
	data, err := os.ReadFile("../../testdata/night/" + file)
	require.NoError(t, err)
	return data
}

func demoBook(t testing.TB) commissary.Book {
	b, err := Read("kitchen.yaml", demoBytes(t))
	require.NoError(t, err)
	return b
}

func demoDate(t testing.TB) civil.Date {
	d, err := civil.ParseDate("2026-11-26")
	require.NoError(t, err)
	return d
}

func TestDemoNight(t *testing.T) {
	b := demoBook(t)
	orders, err := ReadOrders("orders.csv", demoNight(t, "orders.csv"), b, demoDate(t))
	require.NoError(t, err)
	require.Len(t, orders, 6)
	lots, err := ReadLots("lots.csv", demoNight(t, "lots.csv"), b)
	require.NoError(t, err)
	require.Len(t, lots, 22)
}
