package plan

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"time"

	"doughrun/commissary"
)

// Hash names an input: the SHA-256 over its canonical bytes, in hexadecimal.
// The order of orders, lots and posted batches does not matter, nor who ordered
// when. Seed and work budget count, for they decide which plan is found.
func Hash(in Input) string {
	in = canonical(in)
	in.Steps = in.budget()
	// Nothing is planned from who ordered when, or from how often.
	in.Book.Revision, in.Book.Adjustments = 0, nil
	for i := range in.Orders {
		in.Orders[i].By, in.Orders[i].Submitted, in.Orders[i].Revision, in.Orders[i].Phoned = "", time.Time{}, 0, ""
	}
	// Nouns hold no maps and no floats, so encoding/json writes the same
	// bytes everywhere, and cannot fail.
	b, err := json.Marshal(in)
	if err != nil {
		panic("plan: input cannot be written: " + err.Error())
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// canonical returns the input with its facts in a fixed order.
func canonical(in Input) Input {
	in.Orders = slices.Clone(in.Orders)
	slices.SortFunc(in.Orders, func(a, b commissary.Order) int {
		return cmp.Or(a.Night.Compare(b.Night), cmp.Compare(a.Shop, b.Shop))
	})
	for i, o := range in.Orders {
		lines := slices.Clone(o.Lines)
		slices.SortFunc(lines, func(a, b commissary.OrderLine) int {
			return cmp.Or(a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Item, b.Item))
		})
		in.Orders[i].Lines = lines
	}
	in.Lots = slices.Clone(in.Lots)
	slices.SortFunc(in.Lots, func(a, b commissary.Lot) int { return cmp.Compare(a.Code, b.Code) })
	in.Posted = slices.Clone(in.Posted)
	slices.SortFunc(in.Posted, func(a, b commissary.Batch) int { return cmp.Compare(a.ID, b.ID) })
	in.Before = slices.Clone(in.Before)
	slices.SortFunc(in.Before, func(a, b commissary.Batch) int { return cmp.Compare(a.ID, b.ID) })
	in.Rounds = slices.Clone(in.Rounds)
	slices.SortFunc(in.Rounds, func(a, b commissary.Round) int { return cmp.Compare(a.Run, b.Run) })
	in.Delivered = slices.Clone(in.Delivered)
	slices.SortFunc(in.Delivered, func(a, b Delivered) int {
		return cmp.Or(a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Shop, b.Shop), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Boxes, b.Boxes))
	})
	in.Outages = slices.Clone(in.Outages)
	slices.SortFunc(in.Outages, func(a, b commissary.Outage) int {
		return cmp.Or(a.From.Compare(b.From), cmp.Compare(a.Resource, b.Resource), a.To.Compare(b.To))
	})
	in.Forecast = slices.Clone(in.Forecast)
	slices.SortFunc(in.Forecast, func(a, b commissary.Expected) int {
		return cmp.Or(a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Shop, b.Shop), cmp.Compare(a.Pieces, b.Pieces))
	})
	in.Usual = slices.Clone(in.Usual)
	slices.SortFunc(in.Usual, func(a, b commissary.Expected) int {
		return cmp.Or(a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Shop, b.Shop), cmp.Compare(a.Pieces, b.Pieces))
	})
	in.Away = slices.Clone(in.Away)
	slices.SortFunc(in.Away, func(a, b commissary.Away) int {
		return cmp.Or(a.Left.Compare(b.Left), cmp.Compare(a.Container, b.Container), cmp.Compare(a.Containers, b.Containers))
	})
	return in
}
