package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
)

func countCommand() *cobra.Command {
	return group("count", "Count what is left at a shop, and take in what it sold before",
		submitCountCommand(), importSalesCommand())
}

func submitCountCommand() *cobra.Command {
	var shop string
	var lines []string
	cmd := &cobra.Command{
		Use:   "submit",
		Short: "Submit a shop's closing count of cold stock",
		Long: `Submit a shop's closing count of cold stock: what is left out has nothing left.
Balls that were pulled are not stock. With no link the count is kept on this
machine and sent with the orders, never twice ("doughrun order send").

A line is item=count, and the count as people say it: "house-280=3 boxes + 5",
by day label "house-280=Wed 3b+5, Thu 2b", or "house-280=none".`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&shop, "shop", "", "id of the shop")
	cmd.Flags().StringArrayVar(&lines, "left", nil, "what is left of one item, as item=count; once for each item")
	id := writeFlags(cmd)
	required(cmd, "shop")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		catalog, err := j.catalog(d, shop, "")
		if status.Code(err) == codes.Unavailable {
			seen, err := j.seen(d, shop, err)
			if err != nil {
				return err
			}
			fmt.Fprintf(j.talk, "doughrun: no link; items and boxes as they were seen %s\n", ago(time.Since(seen.At)))
			catalog = seen.GetCatalogResponse
		} else if err != nil {
			return err
		}
		req := &v1.SubmitCountRequest{Night: wire.NightName(j.settings.Kitchen, d), ShopId: shop, CountTime: countedNow()}
		e := commissary.Refuse(commissary.Invalid, "COUNT_INVALID", "the count cannot be read; correct the lines named here")
		for i, s := range lines {
			read, err := countLines(s, catalog.GetLines(), d)
			if err != nil {
				e.Faults = append(e.Faults, commissary.Fault{Where: fmt.Sprintf("--left %d", i+1), Text: err.Error()})
			}
			req.Lines = append(req.Lines, read...)
		}
		if len(e.Faults) > 0 {
			return e
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		told, err := j.errand(req)
		if err != nil {
			return err
		}
		m := told.Counted
		if m == nil {
			m = &v1.SubmitCountResponse{} // it was taken before
		}
		if err := j.show(m, func() (string, error) { return countText(catalog.GetLines(), req, m), nil }); err != nil {
			return err
		}
		if newer := m.GetNewerCountTime(); newer != nil {
			return exceptions(1, "counted again since; give the count again if this one is right")
		}
		return nil
	})
	return cmd
}

// countedNow is when a count is made, in whole seconds.
func countedNow() *timestamppb.Timestamp { return timestamppb.New(time.Now().Truncate(time.Second)) }

// seen is the catalogue that was seen last, for the night without a link; cause
// is the error where nothing was seen.
func (j *job) seen(night civil.Date, shop string, cause error) (storefront.Seen, error) {
	box, err := j.outbox()
	if err != nil {
		return storefront.Seen{}, err
	}
	seen, err := storefront.ShelfAt(box.Dir()).Find(j.settings.Kitchen, shop, night)
	if errors.Is(err, os.ErrNotExist) {
		return seen, cause
	}
	return seen, err
}

// countText reads a count back, by the names that people use.
func countText(catalog []*v1.CatalogLine, req *v1.SubmitCountRequest, m *v1.SubmitCountResponse) string {
	names := map[string]string{}
	for _, l := range catalog {
		names[l.GetItemId()] = l.GetItemName()
	}
	var b strings.Builder
	var total int64
	for _, l := range req.GetLines() {
		made := ""
		if l.GetMadeDate() != "" {
			made = ", made " + l.GetMadeDate()
		}
		fmt.Fprintf(&b, "%7d %s%s\n", l.GetPieces(), names[l.GetItemId()], made)
		total += l.GetPieces()
	}
	fmt.Fprintf(&b, "%7d LEFT IN THE COLD\n", total)
	if newer := m.GetNewerCountTime(); newer != nil {
		fmt.Fprintln(&b, folded("", fmt.Sprintf("NOT KEPT: a count made later, %s, stands", newer.AsTime().Local().Format("Mon 2 Jan 15:04 -07:00"))))
	}
	for _, s := range m.GetSales() {
		fmt.Fprintf(&b, "sold %d of %s\n", s.GetPieces(), names[s.GetItemId()])
	}
	return b.String()
}

// catalog is what a shop may order on a night.
func (j *job) catalog(night civil.Date, shop, search string) (*v1.GetCatalogResponse, error) {
	m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.GetCatalog,
		&v1.GetCatalogRequest{Night: wire.NightName(j.settings.Kitchen, night), ShopId: shop, Search: search})
	if err != nil || search != "" {
		return m, err
	}
	// Kept for the night on which there is no link.
	box, err := j.outbox()
	if err == nil {
		err = storefront.ShelfAt(box.Dir()).Keep(time.Now(), j.settings.Kitchen, shop, night, m)
	}
	if err != nil {
		fmt.Fprintf(j.talk, "doughrun: the catalogue cannot be kept for a dead link: %v\n", err)
	}
	return m, nil
}

// countLines reads item=count.
func countLines(s string, catalog []*v1.CatalogLine, night civil.Date) ([]*v1.CountLine, error) {
	item, count, ok := strings.Cut(s, "=")
	if !ok {
		return nil, fmt.Errorf("%q is not a count; write item=count, for example \"house-280=3 boxes + 5\"", s)
	}
	for _, c := range catalog {
		if c.GetItemId() != item {
			continue
		}
		return countOf(c, count, night)
	}
	return nil, fmt.Errorf("there is no item %q; \"order catalog\" lists what there is", item)
}

func countOf(c *v1.CatalogLine, count string, night civil.Date) ([]*v1.CountLine, error) {
	heaps, err := storefront.ReadCount(count, c.GetPiecesPerContainer(), night)
	if err != nil {
		return nil, err
	}
	var lines []*v1.CountLine
	for _, h := range heaps {
		l := &v1.CountLine{ItemId: c.GetItemId(), Pieces: h.Pieces}
		if !h.Made.IsZero() {
			l.MadeDate = h.Made.String()
		}
		lines = append(lines, l)
	}
	return lines, nil
}

// salesAtOnce is how many days of sale travel in one request.
const salesAtOnce = 5000

func importSalesCommand() *cobra.Command {
	var file string
	cmd := &cobra.Command{
		Use:   "import",
		Short: "Take in what shops sold on days before they counted here",
		Long: `Take in what shops sold on days before they counted here, from a CSV file with
the columns shop,item,date,sold,kind. The kind is empty for an ordinary day, or
sold-out, closed or event. Taking the same file in again changes nothing.`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().StringVar(&file, "file", "", "the CSV file; - reads it from the standard input")
	id := writeFlags(cmd)
	required(cmd, "file")
	cmd.RunE = act(func(j *job, _ []string) error {
		text, err := j.read(file)
		if err != nil {
			return err
		}
		sales, lines, err := readSales(file, string(text))
		if err != nil {
			return err
		}
		kept := &v1.ImportSalesResponse{}
		for len(sales) > 0 {
			part, at := sales[:min(salesAtOnce, len(sales))], lines
			sales, lines = sales[len(part):], lines[len(part):]
			req := &v1.ImportSalesRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), Sales: part}
			given := *id
			if kept.GetKept() > 0 {
				given = "" // the id is the first part's
			}
			if req.RequestId, err = j.request(given); err != nil {
				return err
			}
			m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.ImportSales, req)
			if err != nil {
				return inLines(err, file, at)
			}
			kept.Kept += m.GetKept()
		}
		return j.show(kept, func() (string, error) { return fmt.Sprintf("%d days of sale were taken in.\n", kept.GetKept()), nil })
	})
	return cmd
}

// inLines names the lines of a file where the service names places in a list.
func inLines(err error, file string, lines []int) error {
	s, e := status.Convert(err), &commissary.Error{Kind: commissary.Invalid}
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			e.Reason, e.Text = d.GetReason(), s.Message()
			if n := d.GetMetadata()["faults_left_out"]; n != "" {
				e.Text += ", of which " + n + " more are not shown"
			}
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				var i int
				if n, _ := fmt.Sscanf(v.GetField(), "sales[%d]", &i); n != 1 || i < 0 || i >= len(lines) {
					return err
				}
				e.Faults = append(e.Faults, commissary.Fault{Where: fmt.Sprintf("%s:%d", file, lines[i]), Text: v.GetDescription()})
			}
		}
	}
	if e.Reason == "" || len(e.Faults) == 0 {
		return err
	}
	return e
}

// salesHead are the columns of a file of sales.
var salesHead = []string{"shop", "item", "date", "sold", "kind"}

// mostSalesFaults is how many faults of a file are told.
const mostSalesFaults = 20

// readSales reads a file of sales, and the line of each.
func readSales(file, text string) (sales []*v1.Sale, lines []int, err error) {
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\ufeff")))
	r.FieldsPerRecord = len(salesHead)
	e := commissary.Refuse(commissary.Invalid, "SALES_INVALID", "the sales cannot be read; correct the lines named here")
	fault := func(line int, format string, args ...any) {
		if len(e.Faults) < mostSalesFaults {
			e.Faults = append(e.Faults, commissary.Fault{Where: fmt.Sprintf("%s:%d", file, line), Text: fmt.Sprintf(format, args...)})
		}
	}
	kinds := map[string]v1.SaleKind{"": v1.SaleKind_SALE_KIND_UNSPECIFIED, "sold-out": v1.SaleKind_SALE_KIND_SOLD_OUT,
		"closed": v1.SaleKind_SALE_KIND_CLOSED, "event": v1.SaleKind_SALE_KIND_EVENT}
	for n := 0; ; n++ {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var parse *csv.ParseError
		if errors.As(err, &parse) {
			fault(parse.Line, "%v; five columns are wanted: %s", parse.Err, strings.Join(salesHead, ","))
			if errors.Is(err, csv.ErrFieldCount) {
				continue
			}
			break
		}
		if err != nil {
			return nil, nil, err
		}
		line, _ := r.FieldPos(0)
		for i := range row {
			row[i] = strings.TrimSpace(row[i])
		}
		if n == 0 {
			if strings.Join(row, ",") != strings.Join(salesHead, ",") {
				fault(line, "the first line must be %s", strings.Join(salesHead, ","))
				break
			}
			continue
		}
		s := &v1.Sale{ShopId: row[0], ItemId: row[1], Date: row[2]}
		if _, err := civil.ParseDate(row[2]); err != nil {
			fault(line, "%v", err)
		}
		if s.Pieces, err = strconv.ParseInt(row[3], 10, 64); err != nil || s.Pieces < 0 {
			fault(line, "%q is not a number of pieces", row[3])
		}
		kind, ok := kinds[row[4]]
		if !ok {
			fault(line, "the kind %q is unknown; write sold-out, closed or event, or leave it empty", row[4])
		}
		s.Kind = kind
		sales, lines = append(sales, s), append(lines, line)
	}
	if len(e.Faults) > 0 {
		return nil, nil, e
	}
	if len(sales) == 0 {
		return nil, nil, commissary.Refuse(commissary.Invalid, "SALES_INVALID", "%s holds no sales; write one line for each shop, item and day", file)
	}
	return sales, lines, nil
}
