package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
)

func pickCommand() *cobra.Command {
	return group("pick", "Print what the dock works from, and record what was really picked", showPicksCommand(), recordPickCommand())
}

func showPicksCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Print what is picked, run by run, in the order of the work", Args: cobra.NoArgs}
	night, revision := nightFlag(cmd), revisionFlag(cmd)
	run := cmd.Flags().String("run", "", "only this run")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.GetPickList,
			&v1.GetPickListRequest{Dispatch: wire.DispatchName(j.settings.Kitchen, d, *revision), RunId: *run})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Picks(m.GetPickList()), nil })
	})
	return cmd
}

// causes are the reasons for a short pick as they are typed.
var causes = map[string]v1.ShortCause{
	"not-there": v1.ShortCause_SHORT_CAUSE_NOT_THERE,
	"damaged":   v1.ShortCause_SHORT_CAUSE_DAMAGED,
	"on-hold":   v1.ShortCause_SHORT_CAUSE_ON_HOLD,
	"left-out":  v1.ShortCause_SHORT_CAUSE_LEFT_OUT,
}

func recordPickCommand() *cobra.Command {
	var req v1.RecordPickRequest
	var lines []string
	var because string
	correct := false
	cmd := &cobra.Command{
		Use:   "record RUN [SHOP]",
		Short: "Say what was really picked; what is short is picked again at once from other lots",
		Long: `Say what was really picked. Without --line everything on the list that is not
recorded yet was picked as listed: for the shop, or for the whole run.

  doughrun pick record south --night 2026-11-26
  doughrun pick record south harbor --night 2026-11-26
  doughrun pick record south harbor --night 2026-11-26 --line house-280=3b+5:not-there

A line is ITEM[@DATE][/LOT]=AMOUNT[:CAUSE]: the amount in pieces, or in full boxes
and pieces beside them (3b+5); the cause where it is less than listed: not-there
(no more of the lot is where it should be), damaged (thrown away), on-hold, or
left-out (it stays in the kitchen and nothing goes in its place).`,
		Args: cobra.RangeArgs(1, 2),
	}
	night := roadNightFlag(cmd)
	cmd.Flags().StringArrayVar(&lines, "line", nil, "what was picked of one lot: ITEM[@DATE][/LOT]=AMOUNT[:CAUSE]; may be repeated")
	cmd.Flags().StringVar(&because, "because", "", "what there is to say about the lines")
	cmd.Flags().BoolVar(&correct, "correct", false, "the lines were recorded before and are put right")
	cmd.Flags().BoolVar(&req.Found, "found", false, "pieces that the records do not know were found: count them in")
	cmd.Flags().StringVar(&req.Page, "page", "", "what the page's code says, its hash, or its revision; an old page is refused")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		var err error
		if req.Manifest, err = j.manifestName(*night, args[0]); err != nil {
			return err
		}
		if len(args) > 1 {
			req.ShopId = args[1]
		}
		if len(lines) > 0 && req.GetShopId() == "" {
			return commissary.Refuse(commissary.Invalid, "SHOP_MISSING", "say for which shop the lines were picked: doughrun pick record %s SHOP --line ...", args[0])
		}
		for _, l := range lines {
			e, err := j.pickEntry(l)
			if err != nil {
				return err
			}
			e.ShopId, e.Note, e.Correct = req.GetShopId(), because, correct
			req.Lines = append(req.Lines, e)
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.RecordPick, &req)
		if err != nil {
			return err
		}
		if err := j.show(m, func() (string, error) { return sheet.Recorded(m), nil }); err != nil {
			return err
		}
		return exceptions(len(m.GetChanges()), "recorded, and the list has changed")
	})
	return cmd
}

// pickEntry reads ITEM[@DATE][/LOT]=AMOUNT[:CAUSE].
func (j *job) pickEntry(s string) (*v1.PickEntry, error) {
	refuse := func(format string, args ...any) (*v1.PickEntry, error) {
		return nil, commissary.Refuse(commissary.Invalid, "LINE_INVALID", "--line %q: %s; write for example house-280=96, house-280=3b+5:not-there or house-280/20261126-03-1G=12",
			s, fmt.Sprintf(format, args...))
	}
	what, amount, ok := strings.Cut(s, "=")
	if !ok {
		return refuse("the amount is missing")
	}
	e := &v1.PickEntry{}
	what, e.LotCode, _ = strings.Cut(what, "/")
	e.ItemId, e.BakeDate, _ = strings.Cut(what, "@")
	amount, cause, short := strings.Cut(amount, ":")
	if short {
		if e.Cause, ok = causes[cause]; !ok {
			return refuse("%q is no cause; there are not-there, damaged, on-hold and left-out", cause)
		}
	}
	if n, err := strconv.ParseInt(amount, 10, 64); err == nil && n >= 0 {
		e.Pieces = n
		return e, nil
	}
	c, err := j.catalogue()
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(c.GetItems(), func(x *v1.CatalogueItem) bool { return x.GetId() == e.ItemId })
	if i < 0 {
		return refuse("there is no item %q", e.ItemId)
	}
	heaps, err := storefront.ReadCount(amount, c.GetItems()[i].GetPiecesPerContainer(), civil.Date{})
	if err != nil || len(heaps) > 1 {
		return refuse("%q is no amount", amount)
	}
	if len(heaps) == 1 {
		e.Pieces = heaps[0].Pieces
	}
	return e, nil
}
