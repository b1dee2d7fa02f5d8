package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// besides is what stands beside a line: the standing and the usual quantity.
func besides(catalog []*v1.CatalogLine, item string) string {
	for _, l := range catalog {
		if l.GetItemId() != item {
			continue
		}
		s := fmt.Sprintf("  standing %d", l.GetParPieces())
		if l.UsualPieces != nil {
			s += fmt.Sprintf(", usual %d", l.GetUsualPieces())
		}
		return s
	}
	return ""
}

// lacking names what the shop's standing order has and an order has not: an
// order is the whole of what comes.
func lacking(lines []*v1.OrderLine, catalog []*v1.CatalogLine) string {
	var none []string
	for _, x := range catalog {
		if x.GetParPieces() > 0 && x.GetObstacle() == "" && !slices.ContainsFunc(lines, func(l *v1.OrderLine) bool { return l.GetItemId() == x.GetItemId() }) {
			none = append(none, x.GetItemName())
		}
	}
	if len(none) == 0 {
		return ""
	}
	return "NOTHING OF " + strings.Join(none, ", ")
}

// found is the one item of a catalogue whose name or id has the letters.
func found(catalog []*v1.CatalogLine, letters string) (*v1.CatalogLine, error) {
	var hits []*v1.CatalogLine
	for _, l := range catalog {
		if strings.EqualFold(l.GetItemName(), letters) || strings.EqualFold(l.GetItemId(), letters) {
			return l, nil
		}
		if strings.Contains(strings.ToLower(l.GetItemName()+" "+l.GetItemId()), strings.ToLower(letters)) {
			hits = append(hits, l)
		}
	}
	switch len(hits) {
	case 0:
		return nil, fmt.Errorf("no item has %q; write yes, no, or letters of an item", letters)
	case 1:
		return hits[0], nil
	}
	var names []string
	for _, l := range hits {
		names = append(names, l.GetItemName())
	}
	return nil, fmt.Errorf("%q is in %s; write more of it", letters, strings.Join(names, ", "))
}

func catalogCommand() *cobra.Command {
	var shop, search string
	cmd := &cobra.Command{Use: "catalog", Short: "List what a shop may order, with its standing and usual quantities", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&shop, "shop", "", "id of the shop")
	cmd.Flags().StringVar(&search, "search", "", "a few letters of the item's name or id")
	required(cmd, "shop")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		m, err := j.catalog(d, shop, search)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			var b strings.Builder
			for _, l := range m.GetLines() {
				usual := "-"
				if l.UsualPieces != nil {
					usual = fmt.Sprint(l.GetUsualPieces())
				}
				fmt.Fprintf(&b, "%s\n  %s, %s\n  standing %d, usual %s\n", l.GetItemName(), l.GetItemId(), boxesOf(l.GetPiecesPerContainer()), l.GetParPieces(), usual)
				if l.GetObstacle() != "" {
					fmt.Fprintf(&b, "%s\n", folded("  ", l.GetObstacle()))
				}
			}
			if len(m.GetLines()) == 0 {
				b.WriteString("Nothing matches.\n")
			}
			return b.String(), nil
		})
	})
	return cmd
}

func boxesOf(n int64) string { return fmt.Sprintf("boxes of %d", n) }

// firstCutOff is when the first of the lines that can be ordered closes, on
// the kitchen's clock; empty where none can.
func firstCutOff(m *v1.GetCatalogResponse) string {
	zone, err := civil.LoadZone(m.GetSite().GetTimeZone())
	if err != nil {
		return ""
	}
	var first time.Time
	for _, l := range m.GetLines() {
		if at := l.GetCutOffTime().AsTime(); l.GetObstacle() == "" && l.GetCutOffTime() != nil && (first.IsZero() || at.Before(first)) {
			first = at
		}
	}
	if first.IsZero() {
		return ""
	}
	return zone.Long(first)
}
