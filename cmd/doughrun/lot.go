package main

import (
	"regexp"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func lotCommand() *cobra.Command {
	return group("lot", "Show, count, move, hold, trace and recall lots; receive ingredients", showLotCommand(), listLotsCommand(), countStockCommand(),
		moveLotCommand(), holdLotCommand(), releaseLotCommand(), destroyLotCommand(),
		receiveLotCommand(), settleLotCommand(), openLotCommand(), issueCommand(), surplusCommand(), traceLotCommand(), recallLotCommand(), labelLotCommand())
}

func showLotCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "show CODE",
		Short: "Show one lot and how it came to what it is",
		Args:  cobra.ExactArgs(1),
		RunE: act(func(j *job, args []string) error {
			name, err := j.lotName(args[0])
			if err != nil {
				return err
			}
			m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.GetLot, &v1.GetLotRequest{Name: name})
			if err != nil {
				return err
			}
			return j.show(m, func() (string, error) {
				c, err := j.catalogue()
				return sheet.Lot(c.GetSite(), m.GetLot(), m.GetMovements(), m.GetHolds()...), err
			})
		}),
	}
}

var unlike = regexp.MustCompile(`[^A-Za-z0-9.-]+`)

// lotName returns the resource name of a lot, and catches a code that was mistyped.
func (j *job) lotName(code string) (string, error) {
	if commissary.Misread(code) {
		return "", commissary.Refuse(commissary.Invalid, "LOT_MISREAD", "%q is no lot code: its check character is wrong; read the label again", code)
	}
	// What a supplier prints may have other signs, which codes have as dashes.
	return wire.LotName(j.settings.Kitchen, strings.Trim(unlike.ReplaceAllString(code, "-"), "-")), nil
}

func listLotsCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List the lots of which something is left", Args: cobra.NoArgs}
	used := cmd.Flags().Bool("all", false, "those that are used up too")
	place := cmd.Flags().String("place", "", "only what is at a place: kitchen, returns, a shop's id, or van/RUN/SHOP")
	cmd.RunE = act(func(j *job, _ []string) error {
		m := &v1.ListLotsResponse{}
		var err error
		m.Lots, err = all(func(token string) ([]*v1.Lot, string, error) {
			page, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.ListLots,
				&v1.ListLotsRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), PageToken: token, OnHandOnly: !*used, Place: *place})
			return page.GetLots(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.lotsText(m.GetLots()) })
	})
	return cmd
}

func (j *job) lotsText(list []*v1.Lot) (string, error) {
	c, err := j.catalogue()
	return sheet.Lots(c.GetSite(), list), err
}

func countStockCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "count", Short: "Record what was counted: all lines of a file or none", Args: cobra.NoArgs}
	file := cmd.Flags().String("file", "", "CSV file with the lots: code,item,formula,quantity,made,held; - reads it from the standard input")
	why := cmd.Flags().String("reason", "", "why it is not what the records say, for every line")
	id := writeFlags(cmd)
	required(cmd, "file")
	cmd.RunE = act(func(j *job, _ []string) error {
		text, err := j.read(*file)
		if err != nil {
			return err
		}
		b, err := j.wholeBook()
		if err != nil {
			return err
		}
		lots, err := book.ReadLots(*file, text, b)
		if err != nil {
			return err
		}
		req := &v1.CountStockRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), Counts: wire.Counts(lots)}
		for _, c := range req.GetCounts() {
			c.VarianceReason = *why
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.CountStock, req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.lotsText(m.GetLots()) })
	})
	return cmd
}
