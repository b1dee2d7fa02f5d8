package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

func proposeOrderCommand() *cobra.Command {
	var shop string
	var events []string
	cmd := &cobra.Command{Use: "propose", Short: "Show what a shop should order, with the arithmetic", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&shop, "shop", "", "id of the shop")
	cmd.Flags().StringArrayVar(&events, "event", nil, "a holiday or event and its days, as \"street party=+25%@2026-11-27\" or \"...@2026-11-27..2026-11-28\"; once for each")
	required(cmd, "shop")
	cmd.RunE = act(func(j *job, _ []string) error {
		req := &v1.ProposeOrderRequest{ShopId: shop}
		var err error
		if req.Night, err = j.night(*night); err != nil {
			return err
		}
		for _, s := range events {
			a, err := event(s)
			if err != nil {
				return commissary.Refuse(commissary.Invalid, "EVENT_INVALID", "--event: %v", err)
			}
			req.Adjustments = append(req.Adjustments, a)
		}
		m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.ProposeOrder, req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return proposalText(m), nil })
	})
	return cmd
}

// event reads name=+25%@from..to.
func event(s string) (*v1.Adjustment, error) {
	name, rest, ok := strings.Cut(s, "=")
	change, days, dated := strings.Cut(rest, "@")
	var percent int64
	if _, err := fmt.Sscanf(change, "%d%%", &percent); !ok || !dated || err != nil || !strings.HasSuffix(change, "%") {
		return nil, fmt.Errorf("%q is not an event; write name=+25%%@2026-11-27", s)
	}
	from, to, span := strings.Cut(days, "..")
	if !span {
		to = from
	}
	for _, d := range []string{from, to} {
		if _, err := civil.ParseDate(d); err != nil {
			return nil, err
		}
	}
	return &v1.Adjustment{Name: name, FromDate: from, ToDate: to, ChangePpm: percent * 10_000}, nil
}

func proposalText(m *v1.ProposeOrderResponse) string {
	var b strings.Builder
	if !m.GetCounted() {
		b.WriteString("The night was not counted:\nnothing is taken to be left.\n")
	}
	for _, l := range m.GetLines() {
		fmt.Fprintf(&b, "%s\n", l.GetItemName())
		if l.GetObstacle() != "" {
			fmt.Fprintf(&b, "%s\n", folded("  ", l.GetObstacle()))
			continue
		}
		fmt.Fprintf(&b, "%7d  %s\n%s", l.GetPieces(), forDays(l), arithmetic(l))
		if l.GetLapsePieces() > 0 {
			fmt.Fprintf(&b, "%s\n", folded("  ", lapseText(l)))
		}
	}
	return b.String()
}

// lapseText says what of the stock nobody will buy in time.
func lapseText(l *v1.ProposedLine) string {
	return fmt.Sprintf("%d will pass their date unsold", l.GetLapsePieces())
}

// arithmetic is how a proposal comes about, one number a line.
func arithmetic(l *v1.ProposedLine) string {
	var b strings.Builder
	p := func(sign string, n int64, what string) { fmt.Fprintf(&b, "  %1s %6d  %s\n", sign, n, what) }
	p("", l.GetSellPieces(), "will sell")
	if n := l.GetSafetyPieces(); n < 0 {
		p("-", -n, "rather sold out than left over")
	} else {
		p("+", n, "safety")
	}
	p("-", l.GetLeftPieces(), "left and usable")
	p("-", l.GetComingPieces(), "coming")
	sum := l.GetSellPieces() + l.GetSafetyPieces() - l.GetLeftPieces() - l.GetComingPieces()
	if sum < 0 {
		fmt.Fprintf(&b, "  enough: %d over\n", -sum)
	} else {
		p("=", sum, "wanted")
	}
	if l.GetBoxes() > 0 {
		p("", l.GetPieces(), "in "+boxes(l.GetBoxes())+" of "+fmt.Sprint(l.GetPiecesPerContainer()))
	}
	b.WriteString(changesText(l))
	fmt.Fprintf(&b, "%s\n", folded("  ", l.GetBasis()))
	return b.String()
}

// changesText says what holidays and events do to the sale.
func changesText(l *v1.ProposedLine) string {
	var b strings.Builder
	for _, c := range l.GetChanges() {
		fmt.Fprintf(&b, "%s\n", folded("  ", fmt.Sprintf("%s %+d, in what will sell", c.GetName(), c.GetPieces())))
	}
	return b.String()
}

func forDays(l *v1.ProposedLine) string {
	s := "for " + shortDay(l.GetBakeDate())
	if l.GetToDate() != l.GetBakeDate() {
		s += " to " + shortDay(l.GetToDate())
	}
	return s
}

func shortDay(s string) string {
	d, err := civil.ParseDate(s)
	if err != nil {
		return s
	}
	return d.Short()
}
