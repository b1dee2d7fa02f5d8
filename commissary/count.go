package commissary

import (
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Count is a shop's closing count of its cold stock. Balls that were pulled
// are not stock.
type Count struct {
	Night civil.Date
	Shop  string
	Lines []CountLine
	By    string
	At    time.Time
}

// CountLine is what is left of one item under one day label.
type CountLine struct {
	Item   string
	Made   civil.Date // on the label; zero: not read
	Pieces quantity.Pieces
}

// SaleKind says what a day's sale tells.
type SaleKind string

// The kinds.
const (
	SaleOrdinary SaleKind = "ORDINARY"
	SaleSoldOut  SaleKind = "SOLD_OUT" // at least so many would have sold
	SaleClosed   SaleKind = "CLOSED"   // no service
	SaleEvent    SaleKind = "EVENT"    // kept, and not learned from
)

// Sale is what one shop sold of one item on one day.
type Sale struct {
	Shop   string
	Item   string
	Day    civil.Date
	Pieces quantity.Pieces
	Kind   SaleKind
}

// Counts keeps what shops counted and sold.
type Counts interface {
	// Put keeps a count in the place of the shop's earlier one of the night. Invalid
	// when two lines name one item and label.
	Put(c Count) error
	Get(night civil.Date, shop string) (Count, error)
	// PutSale keeps a day's sale in the place of what was kept for it.
	PutSale(s Sale) error
	// Sales returns what a shop sold since a day, by item and day.
	Sales(shop string, since civil.Date) ([]Sale, error)
	// SalesOn returns what a shop sold on some days, by item and day.
	SalesOn(shop string, days []civil.Date) ([]Sale, error)

	// PutFit keeps what was learned of an item in the place of what was learned before.
	PutFit(f Fit) error
	// Fits returns what was learned of a shop's items, by item.
	Fits(shop string) ([]Fit, error)
	// ForgetFit drops what was learned of an item; it may be nothing.
	ForgetFit(shop, item string) error
	// Unlearned returns shops and items that have sales since a day and no fit
	// through the newest of them, by shop and item, each with that day as
	// Through and without Text.
	Unlearned(since civil.Date) ([]Fit, error)
}

// Fit is what package forecast learned of one shop's item, as a document of its own.
type Fit struct {
	Shop    string
	Item    string
	Through civil.Date // last day it was learned from
	Text    []byte
}

// Adjustment is a holiday or one-off event and what it does to the sale of
// each of its days.
type Adjustment struct {
	Name   string
	From   civil.Date
	To     civil.Date      // last day
	Shops  []string        // none: every shop
	Items  []string        // none: every item
	Change quantity.PPM    // of the sale: 250,000 is a quarter more
	Pieces quantity.Pieces // added after the change; may be below zero
}
