package plan

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// empties is which containers a shop is expected to give back on a day: those
// that the kitchen owns and that fell due since its delivery before this one.
// They fall due after the days that the book says they are out, or, where it
// does not, the day after the service they came for. In book order.
func empties(in *Input, shop string, day civil.Date) []commissary.Empties {
	items, kinds := map[string]commissary.Item{}, map[string]commissary.Container{}
	for _, item := range in.Book.Items {
		items[item.ID] = item
	}
	for _, c := range in.Book.Containers {
		kinds[c.ID] = c
	}
	brought := func(d Delivered) civil.Date { return d.BakeDate.AddDays(-items[d.Item].Ship.DeliverBefore) }
	var last civil.Date // delivery before this one
	for _, d := range in.Delivered {
		if on := brought(d); d.Shop == shop && on.Compare(day) < 0 && on.Compare(last) > 0 {
			last = on
		}
	}
	back := map[string]int{}
	for _, d := range in.Delivered {
		c := kinds[items[d.Item].Container]
		due := d.BakeDate.AddDays(1)
		if c.DaysOut > 0 {
			due = brought(d).AddDays(c.DaysOut)
		}
		if d.Shop == shop && due.Compare(last) > 0 && due.Compare(day) <= 0 {
			back[c.ID] += d.Boxes
		}
	}
	var list []commissary.Empties
	for _, c := range in.Book.Containers {
		if c.Owned > 0 && back[c.ID] > 0 {
			list = append(list, commissary.Empties{Container: c.ID, Count: back[c.ID]})
		}
	}
	return list
}
