// Package testdata holds the invented kitchen that the demo plays and tests
// read: its book, the orders of one night and the lots on hand before it.
package testdata

import "embed"

// Files holds kitchen.yaml, night/orders.csv and night/lots.csv.
//
//go:embed kitchen.yaml night
var Files embed.FS
