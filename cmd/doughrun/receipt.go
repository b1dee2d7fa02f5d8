package main

import (
	"cmp"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
)

func receiptCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "receipt",
		Short: "Show a shop's order as its receipt: what comes, when, and when to pull it; once released, what really comes",
		Args:  cobra.NoArgs,
	}
	name := orderOf(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		order, err := name(j)
		if err != nil {
			return err
		}
		m, err := j.receipt(order)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return receiptText(m) })
	})
	return cmd
}

// receipt asks for the receipt of an order by its name.
func (j *job) receipt(order string) (*v1.GetReceiptResponse, error) {
	return ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.GetReceipt, &v1.GetReceiptRequest{Name: order})
}

// receiptText is a receipt on forty columns.
func receiptText(m *v1.GetReceiptResponse) (string, error) {
	o := m.GetOrder()
	zone, err := civil.LoadZone(o.GetSite().GetTimeZone())
	if err != nil {
		return "", err
	}
	night, err := civil.ParseDate(o.GetNightDate())
	if err != nil {
		return "", err
	}
	var s strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&s, format+"\n", args...) }
	p("%s", strings.ToUpper(o.GetShopName()))
	p("night of %s", night.Long())
	p("%s, revision %d", strings.TrimPrefix(o.GetState().String(), "ORDER_STATE_"), o.GetRevision())
	p("kept %s", zone.Long(o.GetSubmitTime().AsTime()))
	p("code %s", storefront.Code(o))
	if o.GetPhonedBy() != "" {
		p("%s", folded("", "phoned in by "+o.GetPhonedBy()+", written down by "+o.GetSubmittedBy()))
	}
	if o.GetLateBy() != "" {
		p("%s", folded("", "LATE: admitted by "+o.GetLateBy()+": "+o.GetLateReason()))
	}
	if o.GetClosed() {
		p("The shop wants nothing at all.")
		return s.String(), nil
	}
	for _, l := range m.GetLines() {
		p("----------------------------------------")
		receiptLine(p, zone, l)
	}
	return s.String(), nil
}

func receiptLine(p func(string, ...any), zone *civil.Zone, l *v1.ReceiptLine) {
	p("%7d  %s", l.GetPieces(), l.GetItemName())
	p("  for %s", shortDay(l.GetBakeDate()))
	if l.GetProvisional() {
		p("  change by %s", zone.Long(l.GetCutOffTime().AsTime()))
	}
	if l.GetRunName() != "" {
		when := "leaves " + zone.Short(l.GetLeaveTime().AsTime())
		if l.GetArriveTime() != nil {
			when = "about " + zone.Short(l.GetArriveTime().AsTime())
		}
		p("%s", folded("  ", l.GetRunName()+", "+when))
	}
	for _, x := range l.GetPulls() {
		p("  pull %s at %s", inBoxes(x.GetPieces(), l.GetPiecesPerContainer()), zone.Short(x.GetPullTime().AsTime()))
	}
	if len(l.GetAllergens()) > 0 {
		p("%s", folded("  ", "contains "+strings.Join(l.GetAllergens(), ", ")))
	}
	if len(l.GetAllergensAdded()) > 0 {
		p("  ALLERGENS CHANGED")
		p("%s", folded("  ", "new since your last receipt: "+strings.Join(l.GetAllergensAdded(), ", ")))
	}
	if len(l.GetAllergensGone()) > 0 {
		p("  ALLERGENS CHANGED")
		p("%s", folded("  ", "no longer in it: "+strings.Join(l.GetAllergensGone(), ", ")))
	}
	if l.GetProvisional() {
		p("  provisional until goods are released")
	}
	var come int64
	for _, x := range l.GetParts() {
		come += x.GetPieces() - x.GetMissingPieces() - x.GetRefusedPieces()
	}
	if !l.GetProvisional() {
		p("%7d  COME", come)
	}
	if l.GetShortPieces() > 0 {
		p("%7d  SHORT", l.GetShortPieces())
		p("%s", folded("  ", l.GetShortReason()))
	}
	for _, x := range l.GetParts() {
		switch {
		case x.GetLotCode() != "":
			p("  %d of lot %s", x.GetPieces(), x.GetLotCode())
			if n := x.GetMissingPieces(); n > 0 {
				p("%s", folded("    ", fmt.Sprintf("%d were not on the van%s", n, colon(x.GetRefusedReason()))))
			}
			if n := x.GetRefusedPieces(); n > 0 {
				p("%s", folded("    ", fmt.Sprintf("%d went back%s", n, colon(x.GetRefusedReason()))))
			}
			if x.GetMissingPieces()+x.GetRefusedPieces() == x.GetPieces() {
				continue
			}
			if x.GetWarmNote() != "" {
				p("%s", folded("  ", "*** TOO WARM AT THE DROP: "+x.GetWarmNote()))
			}
			if x.GetHeldReason() != "" {
				p("%s", folded("  ", "*** HELD, DO NOT USE: "+x.GetHeldReason()+". Keep it apart, call the kitchen."))
				continue
			}
		case x.GetBatchId() != "":
			p("  %d of batch %s", x.GetPieces(), x.GetBatchId())
		}
		comes := cmp.Or(l.GetArriveTime(), l.GetLeaveTime())
		if from := x.GetUseFromTime(); comes != nil && !from.AsTime().After(comes.AsTime()) {
			p("    use from when it comes")
		} else {
			p("    use from %s", zone.Dated(from.AsTime()))
		}
		p("    use by %s", zone.Dated(x.GetUseByTime().AsTime()))
	}
}

// colon leads to a text, if there is one.
func colon(text string) string {
	if text == "" {
		return ""
	}
	return ": " + text
}

// inBoxes is a number of pieces with the full containers and loose pieces it is.
func inBoxes(pieces, perBox int64) string {
	if perBox < 2 || pieces < perBox {
		return fmt.Sprint(pieces)
	}
	s := boxes(pieces / perBox)
	if loose := pieces % perBox; loose > 0 {
		s += fmt.Sprintf(" + %d", loose)
	}
	return fmt.Sprintf("%d (%s)", pieces, s)
}
