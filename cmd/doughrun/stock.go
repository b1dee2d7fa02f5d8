package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// onLot makes a command that changes one lot.
func onLot(cmd *cobra.Command, send func(j *job, name, id string) (proto.Message, []*v1.Lot, error)) *cobra.Command {
	cmd.Use, cmd.Args = cmd.Use+" CODE", cobra.ExactArgs(1)
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		name, err := j.lotName(args[0])
		if err != nil {
			return err
		}
		request, err := j.request(*id)
		if err != nil {
			return err
		}
		m, lots, err := send(j, name, request)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.lotsText(lots) })
	})
	return cmd
}

func moveLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "move", Short: "Record that some of a lot went from one place to another, or into the bin"}
	from := cmd.Flags().String("from", "", "where it was: kitchen, returns, van/RUN/SHOP or a shop's id; the kitchen when left out")
	to := cmd.Flags().String("to", "", "where it went: van/RUN/SHOP, a shop's id, returns or waste")
	much := cmd.Flags().String("quantity", "", "how much: pieces as 24, or a mass as \"2.5 kg\"")
	reason := cmd.Flags().String("reason", "", "why it was returned or wasted")
	ref := cmd.Flags().String("reference", "", "the paper it goes with")
	required(cmd, "to", "quantity")
	return onLot(cmd, func(j *job, name, id string) (proto.Message, []*v1.Lot, error) {
		req := &v1.MoveLotRequest{Name: name, From: *from, To: *to, Reason: *reason, Reference: *ref, RequestId: id}
		if n, err := quantity.ParsePieces(*much); err == nil {
			req.Pieces = int64(n)
		} else {
			mass, err := quantity.ParseMass(*much)
			if err != nil {
				return nil, nil, badFlag("quantity", err)
			}
			req.MassMg = int64(mass)
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.MoveLot, req)
		return m, []*v1.Lot{m.GetLot()}, err
	})
}

func holdLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "hold", Short: "Keep a lot, and everything made from it, from being used anywhere"}
	reason := reasonFlag(cmd, "why")
	return onLot(cmd, func(j *job, name, id string) (proto.Message, []*v1.Lot, error) {
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.HoldLot, &v1.HoldLotRequest{Name: name, Reason: *reason, RequestId: id})
		return m, m.GetLots(), err
	})
}

func releaseLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "release", Short: "End a hold that began with a lot"}
	reason := reasonFlag(cmd, "why it may be used again")
	return onLot(cmd, func(j *job, name, id string) (proto.Message, []*v1.Lot, error) {
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.ReleaseLot, &v1.ReleaseLotRequest{Name: name, Reason: *reason, RequestId: id})
		return m, m.GetLots(), err
	})
}

func destroyLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "destroy", Short: "Record that all there is of a lot was thrown away"}
	place := cmd.Flags().String("place", "", "only what is at this place; everywhere when left out")
	reason := reasonFlag(cmd, "why")
	return onLot(cmd, func(j *job, name, id string) (proto.Message, []*v1.Lot, error) {
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.DestroyLot, &v1.DestroyLotRequest{Name: name, Place: *place, Reason: *reason, RequestId: id})
		return m, []*v1.Lot{m.GetLot()}, err
	})
}

func settleLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "settle", Short: "Record that sheets, labels and shops know of the allergens in which a lot differs from the book"}
	reason := reasonFlag(cmd, "what was done")
	return onLot(cmd, func(j *job, name, id string) (proto.Message, []*v1.Lot, error) {
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.SettleLot, &v1.SettleLotRequest{Name: name, Reason: *reason, RequestId: id})
		return m, []*v1.Lot{m.GetLot()}, err
	})
}

func receiveLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "receive INGREDIENT", Short: "Record that a lot of an ingredient was delivered", Args: cobra.ExactArgs(1)}
	code := cmd.Flags().String("lot", "", "the lot code as the supplier prints it")
	supplier := cmd.Flags().String("supplier", "", "who delivered it")
	much := cmd.Flags().String("quantity", "", "how much, as \"250 kg\"")
	useBy := cmd.Flags().String("use-by", "", "the last day of its use, as 2027-03-31")
	temp := cmd.Flags().String("temp", "", "the temperature of the goods, as \"3.5 °C\"")
	allergens := cmd.Flags().String("allergens", "", "the allergens on the pack, as \"milk, egg\", or none; not compared with the book when left out")
	document := cmd.Flags().String("document", "", "the delivery note")
	required(cmd, "lot", "supplier", "quantity")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		req := &v1.ReceiveLotRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), IngredientId: args[0], PrintedCode: *code, Supplier: *supplier,
			UseByDate: *useBy, Document: *document, AllergensRead: *allergens != ""}
		mass, err := quantity.ParseMass(*much)
		if err != nil {
			return badFlag("quantity", err)
		}
		req.MassMg = int64(mass)
		t, said, err := given("temp", *temp, quantity.ParseTemp)
		if err != nil {
			return err
		}
		if said {
			req.TempMillicelsius = proto.Int32(int32(t))
		}
		if *allergens != "" && *allergens != "none" {
			for _, a := range strings.Split(*allergens, ",") {
				req.Allergens = append(req.Allergens, strings.ToLower(strings.TrimSpace(a)))
			}
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.ReceiveLot, req)
		if err != nil {
			return err
		}
		if err := j.show(m, func() (string, error) { return j.lotsText([]*v1.Lot{m.GetLot()}) }); err != nil {
			return err
		}
		wrong := m.GetNotes()
		if d := m.GetLot().GetReceipt().GetDiffers(); d != "" {
			wrong = append([]string{"it must not be used yet: " + d}, wrong...)
		}
		return exceptions(len(wrong), strings.Join(wrong, "; "))
	})
	return cmd
}

func openLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "open INGREDIENT [LOT]", Short: "Record which lot of an ingredient is in use from now on", Args: cobra.RangeArgs(1, 2)}
	topUp := cmd.Flags().Bool("top-up", false, "it was tipped onto what was in the bin")
	found := cmd.Flags().Bool("found", false, "it is in use, and nobody knows since when")
	clean := cmd.Flags().Bool("clean-out", false, "the bin was emptied and cleaned")
	at := cmd.Flags().String("at", "", "when, as \"2026-11-27 04:05\"; now when left out")
	expired := cmd.Flags().String("expired-reason", "", "why a lot past its use-by is used all the same")
	cmd.MarkFlagsMutuallyExclusive("top-up", "found", "clean-out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		req := &v1.ChangeLotInUseRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), IngredientId: args[0], ExpiredReason: *expired, Kind: v1.InUseKind_IN_USE_KIND_OPENED}
		if len(args) > 1 {
			req.LotCode = args[1]
		}
		switch {
		case *topUp:
			req.Kind = v1.InUseKind_IN_USE_KIND_TOPPED_UP
		case *found:
			req.Kind = v1.InUseKind_IN_USE_KIND_FOUND
		case *clean:
			req.Kind = v1.InUseKind_IN_USE_KIND_CLEANED_OUT
		}
		var err error
		if req.ChangeTime, err = j.clockTime("at", *at); err != nil {
			return err
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.ChangeLotInUse, req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			text, err := j.lotsText(m.GetLots())
			if ids := m.GetPossibleBatchIds(); len(ids) > 0 {
				text += fmt.Sprintf("\nPossibly in these batches too: %s.\n", strings.Join(ids, ", "))
			}
			return text, err
		})
	})
	return cmd
}

func issueCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "issue", Short: "List what to bring from the dry store and the cooler for a night's batches", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.GetIssueSheet, &v1.GetIssueSheetRequest{Night: name})
		if err != nil {
			return err
		}
		if err := j.show(m, func() (string, error) { return sheet.Issue(m), nil }); err != nil {
			return err
		}
		short := 0
		for _, l := range m.GetLines() {
			if l.GetShortMassMg() > 0 || l.GetLow() {
				short++
			}
		}
		return exceptions(short, "ingredients are short or low")
	})
	return cmd
}

func surplusCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "surplus", Short: "Suggest what could become of what a night's dispatch leaves", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.SuggestSurplus, &v1.SuggestSurplusRequest{Night: name})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Surplus(m), nil })
	})
	return cmd
}
