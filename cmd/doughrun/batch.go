package main

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func batchCommand() *cobra.Command {
	return group("batch", "List posted batches, print their sheets, record what is done with them",
		listBatchesCommand(), sheetCommand(), startBatchCommand(), finishBatchCommand(), scrapBatchCommand(), correctBatchCommand(), varianceCommand())
}

func listBatchesCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List the batches that a night's plan posted", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m := &v1.ListBatchesResponse{}
		m.Batches, err = all(func(token string) ([]*v1.Batch, string, error) {
			page, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.ListBatches, &v1.ListBatchesRequest{Night: name, PageToken: token})
			return page.GetBatches(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Batches(c.GetSite(), m.GetBatches()), err
		})
	})
	return cmd
}

func (j *job) batch(id string) (*v1.GetBatchResponse, error) {
	return ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.GetBatch, &v1.GetBatchRequest{Name: wire.BatchName(j.settings.Kitchen, id)})
}

func sheetCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "sheet BATCH",
		Short: "Print the sheet that a batch is made from",
		Args:  cobra.ExactArgs(1),
		RunE: act(func(j *job, args []string) error {
			id, err := j.batchID(args)
			if err != nil {
				return err
			}
			m, err := j.batch(id)
			if err != nil {
				return err
			}
			return j.show(m, func() (string, error) { return sheet.Batch(m.GetBatch(), m.GetSheet()), nil })
		}),
	}
}

// nightsSearched is in how many of the newest nights a short id is looked for.
const nightsSearched = 4

var shortID = regexp.MustCompile(`^[0-9]{1,4}$`)

// batchID returns the id of the batch that is meant: a whole id, the number at
// the end of one, or, when nothing is said, the next batch in one of the states.
func (j *job) batchID(args []string, next ...v1.BatchState) (string, error) {
	if len(args) > 0 && !shortID.MatchString(args[0]) {
		return args[0], nil
	}
	nights, err := ask(j, v1.NewNightServiceClient, v1.NightServiceClient.ListNights,
		&v1.ListNightsRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), PageSize: nightsSearched})
	if err != nil {
		return "", err
	}
	var found []*v1.Batch
	for _, n := range nights.GetNights() {
		list, err := all(func(token string) ([]*v1.Batch, string, error) {
			page, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.ListBatches, &v1.ListBatchesRequest{Night: n.GetName(), PageToken: token})
			return page.GetBatches(), page.GetNextPageToken(), err
		})
		if err != nil {
			return "", err
		}
		for _, b := range list {
			_, number, _ := strings.Cut(b.GetId(), "-")
			if len(args) > 0 && strings.TrimLeft(number, "0") != strings.TrimLeft(args[0], "0") || len(next) > 0 && !slices.Contains(next, b.GetState()) {
				continue
			}
			found = append(found, b)
		}
	}
	slices.SortStableFunc(found, func(a, b *v1.Batch) int {
		return cmp.Or(a.GetMixEndTime().AsTime().Compare(b.GetMixEndTime().AsTime()), cmp.Compare(a.GetId(), b.GetId()))
	})
	// Of what is begun next, what begins first; of several that begin at one time
	// nobody knows at which of the vessels somebody stands.
	if len(args) == 0 && len(found) > 0 && slices.Contains(next, v1.BatchState_BATCH_STATE_POSTED) {
		first := sheet.Loads(slices.MinFunc(found, func(a, b *v1.Batch) int { return sheet.Loads(a).AsTime().Compare(sheet.Loads(b).AsTime()) })).AsTime()
		found = slices.DeleteFunc(found, func(b *v1.Batch) bool { return sheet.Loads(b).AsTime().After(first) })
	}
	var which []string
	for _, b := range found {
		which = append(which, fmt.Sprintf("%s %s in %s", b.GetId(), cmp.Or(b.GetFormulaName(), b.GetFormulaId()), cmp.Or(b.GetVesselName(), b.GetVesselId())))
	}
	switch {
	case len(found) == 0:
		return "", commissary.Refuse(commissary.NotFound, "BATCH_NOT_FOUND", "there is no such batch in the newest %d nights; doughrun batch list shows them", nightsSearched)
	case len(found) > 1:
		// A guess would finish or begin the wrong one.
		return "", commissary.Refuse(commissary.Invalid, "BATCH_NOT_CLEAR", "say which batch, by its last digits:\n  %s", strings.Join(which, "\n  "))
	}
	return found[0].GetId(), nil
}

// record makes a command that moves one batch on: the one that is named, or
// the next one in a state.
func record(cmd *cobra.Command, state v1.BatchState, send func(j *job, name, etag, id string) (proto.Message, *v1.Batch, []*v1.Lot, error)) *cobra.Command {
	cmd.Use, cmd.Args = cmd.Use+" [BATCH]", cobra.MaximumNArgs(1)
	etag := cmd.Flags().String("etag", "", "etag of the batch as last read; the one in force when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		batch, err := j.batchID(args, state)
		if err != nil && len(args) > 0 {
			// It is in another state, which the service says.
			batch, err = j.batchID(args)
		}
		if err != nil {
			return err
		}
		newest := ""
		if *etag == "" {
			now, err := j.batch(batch)
			if err != nil {
				return err
			}
			newest = now.GetBatch().GetEtag()
		}
		tag := j.etag(*etag, newest)
		request, err := j.request(*id)
		if err != nil {
			return err
		}
		m, b, lots, err := send(j, wire.BatchName(j.settings.Kitchen, batch), tag, request)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Finished(c.GetSite(), b, lots), err
		})
	})
	return cmd
}

func startBatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "start", Short: "Record that a batch is being mixed: the next one, unless one is named"}
	page := cmd.Flags().String("page", "", "what the sheet's code says, its hash, or its plan revision; an old sheet is refused")
	return record(cmd, v1.BatchState_BATCH_STATE_POSTED,
		func(j *job, name, etag, id string) (proto.Message, *v1.Batch, []*v1.Lot, error) {
			m, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.StartBatch, &v1.StartBatchRequest{Name: name, Etag: etag, RequestId: id, Page: *page})
			return m, m.GetBatch(), nil, err
		})
}

// actualFlags adds what a baker may note of a batch; the function reads it, nil for nothing.
func actualFlags(cmd *cobra.Command) func(j *job) (*v1.BatchActual, error) {
	temp := cmd.Flags().String("temp", "", "the dough's temperature, as \"24.5 °C\" or \"76 °F\"")
	mass := cmd.Flags().String("mass", "", "what went through the vessel, as \"57.2 kg\"")
	pieces := cmd.Flags().StringArray("pieces", nil, "pieces that came out, as house-280=126; once for each item")
	out := cmd.Flags().String("out", "", "when mixing ended, as \"2026-11-27 04:20\"")
	lots := cmd.Flags().StringArray("lot", nil, "an ingredient lot that went in, where it is not the one in use: its code, or what is printed on the sack; once for each")
	place := cmd.Flags().String("place", "", "where the lots are: a shop's id; the kitchen when left out")
	return func(j *job) (*v1.BatchActual, error) {
		a := &v1.BatchActual{LotCodes: *lots, Place: *place}
		t, said, err := given("temp", *temp, quantity.ParseTemp)
		if err != nil {
			return nil, err
		}
		if said {
			a.DoughTempMillicelsius = proto.Int32(int32(t))
		}
		m, _, err := given("mass", *mass, quantity.ParseMass)
		if err != nil {
			return nil, err
		}
		a.MassMg = int64(m)
		for _, p := range *pieces {
			l, err := pieceCount(p)
			if err != nil {
				return nil, err
			}
			a.Pieces = append(a.Pieces, l)
		}
		if a.MixEndTime, err = j.clockTime("out", *out); err != nil {
			return nil, err
		}
		if proto.Size(a) == 0 {
			return nil, nil
		}
		return a, nil
	}
}

// pieceCount reads house-280=126.
func pieceCount(s string) (*v1.BatchPieces, error) {
	item, count, ok := strings.Cut(s, "=")
	n, err := quantity.ParsePieces(count)
	if !ok || item == "" || err != nil {
		return nil, badFlag("pieces", fmt.Errorf("%q is no count; write the item, =, and how many, for example house-280=126", s))
	}
	return &v1.BatchPieces{ItemId: item, Pieces: int64(n)}, nil
}

func finishBatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "finish", Short: "Record that a batch came out, as planned but for what is said: its lots are made"}
	actual := actualFlags(cmd)
	confirm := cmd.Flags().Bool("confirm", false, "it is so, although it is far from the plan")
	expired := cmd.Flags().String("expired-reason", "", "why an ingredient lot past its use-by was used all the same")
	return record(cmd, v1.BatchState_BATCH_STATE_MIXING, func(j *job, name, etag, id string) (proto.Message, *v1.Batch, []*v1.Lot, error) {
		a, err := actual(j)
		if err != nil {
			return nil, nil, nil, err
		}
		m, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.FinishBatch,
			&v1.FinishBatchRequest{Name: name, Etag: etag, RequestId: id, Actual: a, Confirm: *confirm, ExpiredReason: *expired})
		return m, m.GetBatch(), m.GetLots(), farAsked(err)
	})
}

// farAsked says how to confirm what the service asks about.
func farAsked(err error) error {
	if s, ok := status.FromError(err); ok {
		for _, d := range s.Details() {
			if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetReason() == "FAR_FROM_PLAN" {
				return &failure{exitRefused, fmt.Errorf("%s with --confirm", s.Message())}
			}
		}
	}
	return err
}

func scrapBatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "scrap", Short: "Record that a batch was thrown away"}
	reason := reasonFlag(cmd, "why it is no good")
	return record(cmd, v1.BatchState_BATCH_STATE_MIXING, func(j *job, name, etag, id string) (proto.Message, *v1.Batch, []*v1.Lot, error) {
		m, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.ScrapBatch, &v1.ScrapBatchRequest{Name: name, Etag: etag, RequestId: id, Reason: *reason})
		return m, m.GetBatch(), nil, err
	})
}

func correctBatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "correct", Short: "Record that what was recorded of a batch was wrong; the record before is kept"}
	actual := actualFlags(cmd)
	confirm := cmd.Flags().Bool("confirm", false, "it is so, although it is far from the plan")
	reason := reasonFlag(cmd, "why the record was wrong")
	return record(cmd, v1.BatchState_BATCH_STATE_OUT, func(j *job, name, etag, id string) (proto.Message, *v1.Batch, []*v1.Lot, error) {
		a, err := actual(j)
		if err != nil {
			return nil, nil, nil, err
		}
		if a == nil {
			return nil, nil, nil, commissary.Refuse(commissary.Invalid, "NOTHING_SAID", "say what it really was, for example --pieces house-280=120")
		}
		m, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.CorrectBatch,
			&v1.CorrectBatchRequest{Name: name, Etag: etag, RequestId: id, Actual: a, Reason: *reason, Confirm: *confirm})
		return m, m.GetBatch(), m.GetLots(), farAsked(err)
	})
}

// reasonFlag adds --reason, which is required.
func reasonFlag(cmd *cobra.Command, usage string) *string {
	s := cmd.Flags().String("reason", "", usage)
	required(cmd, "reason")
	return s
}

func varianceCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "variance", Short: "Compare what batches became with what was planned, by formula, vessel and shift", Args: cobra.NoArgs}
	from := cmd.Flags().String("from", "", "the first night, as 2026-11-20")
	to := cmd.Flags().String("to", "", "the last night; the first one when left out")
	table := cmd.Flags().Bool("csv", false, "write CSV")
	required(cmd, "from")
	cmd.RunE = act(func(j *job, _ []string) error {
		if *to == "" {
			*to = *from
		}
		for flag, s := range map[string]string{"from": *from, "to": *to} {
			if _, err := date(flag, s); err != nil {
				return err
			}
		}
		m := &v1.ListVariancesResponse{}
		var err error
		m.Variances, err = all(func(token string) ([]*v1.Variance, string, error) {
			page, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.ListVariances,
				&v1.ListVariancesRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), FirstNightDate: *from, LastNightDate: *to, PageToken: token})
			return page.GetVariances(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			if *table {
				return sheet.VarianceCSV(m.GetVariances()), nil
			}
			c, err := j.catalogue()
			return sheet.Variances(c.GetSite(), m.GetVariances()), err
		})
	})
	return cmd
}
