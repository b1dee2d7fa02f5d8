package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"doughrun/cmd/papers"
	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	"doughrun/commissary/trace"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func traceLotCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "trace CODE",
		Short: "Follow a lot to everything it went into and everything it came from",
		Args:  cobra.ExactArgs(1),
		RunE: act(func(j *job, args []string) error {
			name, err := j.lotName(args[0])
			if err != nil {
				return err
			}
			m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.TraceLot, &v1.TraceLotRequest{Name: name})
			if err != nil {
				return err
			}
			return j.show(m, func() (string, error) { return sheet.Trace(m), nil })
		}),
	}
}

func recallLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "recall [CODE]", Short: "Write what a recall of a lot needs into a folder: whom to call, and the records, as a page and as CSV", Args: cobra.MaximumNArgs(1)}
	folder := cmd.Flags().String("folder", "", "the folder to write into, made when it is not there; nothing is overwritten")
	drill := cmd.Flags().Bool("drill", false, "an exercise: without a code, on the lot of the last week that reached most shops; the time it took is printed")
	cmd.RunE = act(func(j *job, args []string) error {
		began := time.Now()
		code := ""
		switch {
		case len(args) == 1:
			code = args[0]
		case *drill:
			var err error
			if code, err = j.drillLot(); err != nil {
				return err
			}
			began = time.Now()
		default:
			return commissary.Refuse(commissary.Invalid, "LOT_MISSING", "say which lot, or --drill for an exercise")
		}
		name, err := j.lotName(code)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.GetRecallPack, &v1.GetRecallPackRequest{Name: name})
		if err != nil {
			return err
		}
		if *folder == "" {
			if *drill {
				fmt.Fprintf(j.talk, "doughrun: answered after %v\n", time.Since(began).Round(time.Millisecond))
			}
			return j.show(m, func() (string, error) { return sheet.Recall(m, *drill), nil })
		}
		j.inUnits(m)
		files := sheet.RecallFiles(m, *drill)
		set, err := papers.Printer{At: time.Now(), Size: sheet.A4, Talk: func(format string, args ...any) { fmt.Fprintf(j.talk, "doughrun: "+format+"\n", args...) }}.Set(sheet.RecallPaper(m, *drill))
		if err != nil {
			return err
		}
		for name, b := range set {
			files[name] = string(b)
		}
		if err := writeFiles(*folder, files); err != nil {
			return err
		}
		fmt.Fprintf(j.talk, "doughrun: %d files in %s after %v\n", len(files), *folder, time.Since(began).Round(time.Millisecond))
		return j.show(m, func() (string, error) { return sheet.Recall(m, *drill), nil })
	})
	return cmd
}

// writeFiles makes new files in a folder.
func writeFiles(folder string, files map[string]string) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return fmt.Errorf("the folder cannot be made: %w", err)
	}
	var names []string
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		f, err := os.OpenFile(filepath.Join(folder, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
		if err != nil {
			return commissary.Refuse(commissary.Precondition, "FILE_THERE", "the file cannot be written: %v; name another folder", err)
		}
		_, err = f.WriteString(files[name])
		if err2 := f.Close(); err == nil {
			err = err2
		}
		if err != nil {
			return fmt.Errorf("the file cannot be written: %w", err)
		}
	}
	return nil
}

// drillDays is how far back a drill looks for its lot.
const drillDays = 7

// drillLot chooses the lot of an exercise: of the lots of the week before the
// newest one, that which reached most shops; the first by code of several. An
// ingredient's lot reaches whatever its doughs reach, so that the lots made here
// are only followed where no ingredient's lot reached anybody.
func (j *job) drillLot() (string, error) {
	lots, err := all(func(token string) ([]*v1.Lot, string, error) {
		page, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.ListLots, &v1.ListLotsRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), PageToken: token})
		return page.GetLots(), page.GetNextPageToken(), err
	})
	if err != nil {
		return "", err
	}
	var newest time.Time
	for _, l := range lots {
		if at := l.GetMadeTime().AsTime(); at.After(newest) {
			newest = at
		}
	}
	chosen, most := "", -1
	for _, bought := range []bool{true, false} {
		for _, l := range lots {
			if (l.GetIngredientId() != "") != bought || l.GetMadeTime().AsTime().Before(newest.AddDate(0, 0, -drillDays)) {
				continue
			}
			m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.TraceLot, &v1.TraceLotRequest{Name: l.GetName()})
			if err != nil {
				return "", err
			}
			if n := shopsReached(m); n > most {
				chosen, most = l.GetCode(), n
			}
		}
		if most > 0 {
			break
		}
	}
	if chosen == "" {
		return "", commissary.Refuse(commissary.NotFound, "LOT_NOT_FOUND", "there is no lot to exercise with yet")
	}
	fmt.Fprintf(j.talk, "doughrun: drill on lot %s, which reached %d shops; the clock runs from here\n", chosen, most)
	return chosen, nil
}

// shopsReached counts the shops that a trace's lots came to.
func shopsReached(m *v1.TraceLotResponse) int {
	shops := map[string]bool{}
	for _, x := range m.GetMovements() {
		_, _, van := commissary.VanOf(x.GetToPlace())
		if to := x.GetToPlace(); to != "" && to != commissary.AtKitchen && to != commissary.AtReturns && !van {
			shops[to] = true
		}
	}
	return len(shops)
}

func labelLotCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "label CODE", Short: "Write the GS1 element strings of a lot's label, and of a container's", Args: cobra.ExactArgs(1)}
	last := cmd.Flags().String("last", "", "the last day on the label, as 2026-11-30")
	sscc := cmd.Flags().String("sscc", "", "the container's number of 18 digits, for its label")
	pieces := cmd.Flags().String("pieces", "", "how many pieces are in the container")
	required(cmd, "last")
	cmd.RunE = act(func(j *job, args []string) error {
		name, err := j.lotName(args[0])
		if err != nil {
			return err
		}
		until, err := date("last", *last)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewLotServiceClient, v1.LotServiceClient.GetLot, &v1.GetLotRequest{Name: name})
		if err != nil {
			return err
		}
		b, err := j.wholeBook()
		if err != nil {
			return err
		}
		item, err := named(b.Items, m.GetLot().GetItemId(), "item", func(i commissary.Item) string { return i.ID })
		if err != nil {
			return err
		}
		if item.GTIN == "" {
			return commissary.Refuse(commissary.Precondition, "GTIN_MISSING", "item %q has no gtin in the kitchen book; add it and adopt the book", item.ID)
		}
		zone, err := civil.LoadZone(b.Kitchen.Zone)
		if err != nil {
			return err
		}
		lot, err := trace.LotLabel(item.Kind, item.GTIN, m.GetLot().GetCode(), zone.Date(m.GetLot().GetMadeTime().AsTime()), until)
		if err != nil {
			return err
		}
		a := answer{Question: "labels of lot " + m.GetLot().GetCode(), Working: []string{}, Result: []trace.Label{lot}, found: []string{"lot        " + lot.Text}}
		if *sscc != "" {
			n, err := quantity.ParsePieces(*pieces)
			if err != nil {
				return badFlag("pieces", err)
			}
			box, err := trace.ContainerLabel(*sscc, item.GTIN, m.GetLot().GetCode(), n)
			if err != nil {
				return err
			}
			a.Result = []trace.Label{lot, box}
			a.say("container  %s", box.Text)
		}
		return j.answer(a)
	})
	return cmd
}
