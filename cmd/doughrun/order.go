package main

import (
	"bufio"
	"cmp"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func orderCommand() *cobra.Command {
	return group("order", "Submit, show and withdraw a shop's order of a night",
		takeOrderCommand(), submitOrderCommand(), sendOrdersCommand(), orderStatusCommand(), proposeOrderCommand(), catalogCommand(), receiptCommand(), showOrderCommand(), listOrdersCommand(), cancelOrderCommand(), admitOrderCommand())
}

// wanted is what the flags say that a shop wants.
type wanted struct {
	shop   string
	lines  []string
	closed bool
	etag   string
	phoned string
}

func (w *wanted) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&w.shop, "shop", "", "id of the shop")
	cmd.Flags().StringArrayVar(&w.lines, "line", nil, "one line as item=pieces, or item=pieces@2026-11-28 for another bake date than the item's own; once for each line")
	cmd.Flags().BoolVar(&w.closed, "closed", false, "the shop wants nothing at all")
	cmd.Flags().StringVar(&w.etag, "etag", "", "etag of the order that this one replaces, as last read")
	cmd.Flags().StringVar(&w.phoned, "phoned-by", "", "who at the shop gives the order by telephone: it is printed to be read back, and sent on a yes")
}

// read returns the lines. All faults are told at once.
func (w *wanted) read() ([]*v1.OrderLine, error) {
	var lines []*v1.OrderLine
	e := commissary.Refuse(commissary.Invalid, "LINES_INVALID", "the order lines cannot be read; correct those named here")
	for i, s := range w.lines {
		l, err := orderLine(s)
		if err != nil {
			e.Faults = append(e.Faults, commissary.Fault{Where: fmt.Sprintf("--line %d", i+1), Text: err.Error()})
			continue
		}
		lines = append(lines, l)
	}
	if len(e.Faults) > 0 {
		return nil, e
	}
	return lines, nil
}

func orderLine(s string) (*v1.OrderLine, error) {
	item, rest, ok := strings.Cut(s, "=")
	if !ok || item == "" {
		return nil, fmt.Errorf("%q is not an order line; write item=pieces, for example house-280=96", s)
	}
	count, day, dated := strings.Cut(rest, "@")
	pieces, err := quantity.ParsePieces(count)
	if err == nil && pieces == 0 {
		err = fmt.Errorf("an order for zero pieces of %q; leave the line out", item)
	}
	if err != nil {
		return nil, err
	}
	if dated {
		if _, err := civil.ParseDate(day); err != nil {
			return nil, err
		}
	}
	return &v1.OrderLine{ItemId: item, Pieces: int64(pieces), BakeDate: day}, nil
}

func submitOrderCommand() *cobra.Command {
	var w wanted
	var file string
	var replace, validateOnly bool
	cmd := &cobra.Command{
		Use:   "submit",
		Short: "Submit a shop's whole order of a night, or those of several shops from a file",
		Long: `Submit a shop's whole order of a night: what is left out is wanted at zero.

The order is kept in the outbox on this machine before it is sent, and stays
there until the service has answered: "order status" shows what waits, "order
send" sends it. It is never ordered twice.

With --file the orders of all shops in a CSV file are submitted; every one is
held against the service's rules before the first is kept and sent.`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	w.flags(cmd)
	cmd.Flags().StringVar(&file, "file", "", "CSV file with orders: shop,item,quantity,bake_date; - reads it from the standard input")
	cmd.Flags().BoolVar(&replace, "replace", false, "replace the order that is there, whatever it says")
	cmd.Flags().BoolVar(&validateOnly, "validate-only", false, "refuse what would be refused, and keep nothing")
	id := writeFlags(cmd)
	cmd.MarkFlagsOneRequired("shop", "file")
	cmd.MarkFlagsMutuallyExclusive("shop", "file")
	cmd.MarkFlagsMutuallyExclusive("line", "file")
	cmd.MarkFlagsMutuallyExclusive("closed", "file")
	cmd.MarkFlagsMutuallyExclusive("etag", "file")
	cmd.MarkFlagsMutuallyExclusive("phoned-by", "file")
	cmd.MarkFlagsMutuallyExclusive("etag", "replace")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		var orders []*v1.SubmitOrderRequest
		if file != "" {
			orders, err = j.ordersIn(file, d)
		} else {
			req := &v1.SubmitOrderRequest{Name: wire.OrderName(j.settings.Kitchen, d, w.shop), Closed: w.closed, PhonedBy: w.phoned}
			req.Lines, err = w.read()
			orders = []*v1.SubmitOrderRequest{req}
		}
		if err != nil {
			return err
		}
		if w.phoned != "" && !validateOnly {
			if err := j.readBack(d, w.shop, w.phoned, orders[0].GetLines()); err != nil {
				return err
			}
		}
		base, err := j.request(*id)
		if err != nil {
			return err
		}
		for _, req := range orders {
			req.Etag, req.RequestId = w.etag, base
			if len(orders) > 1 { // the same command sends the same requests
				req.RequestId = uuid.NewSHA1(uuid.MustParse(base), []byte(req.GetName())).String()
			}
		}
		var kept []*v1.Order
		if validateOnly || len(orders) > 1 {
			if kept, err = j.judge(orders, replace); err != nil {
				return err
			}
		}
		if !validateOnly {
			if kept, err = j.submit(orders, replace); err != nil {
				return err
			}
		}
		if file == "" {
			if w.phoned == "" {
				j.remark(d, w.shop, kept[0])
			}
			m := &v1.SubmitOrderResponse{Order: kept[0]}
			return j.show(m, func() (string, error) { return sheet.Order(m.GetOrder()), nil })
		}
		m := &v1.ListOrdersResponse{Orders: kept}
		return j.show(m, func() (string, error) { return sheet.Orders(siteOf(kept), kept), nil })
	})
	return cmd
}

// remark says beside an order that was taken what its shop would be asked: it
// can still amend it. Where that cannot be found out the order stands as it is.
func (j *job) remark(night civil.Date, shop string, o *v1.Order) {
	odd, err := j.unusual(night, shop, o.GetLines())
	if err != nil || o.GetClosed() {
		return
	}
	for _, l := range odd {
		fmt.Fprintln(j.talk, "doughrun: "+l.GetQuestion()+" Amend the order if that is wrong.")
	}
	if m, err := j.catalog(night, shop, ""); err == nil {
		if none := lacking(o.GetLines(), m.GetLines()); none != "" {
			fmt.Fprintln(j.talk, "doughrun: "+none+": an order is the whole of what comes. Amend it if that is wrong.")
		}
	}
}

// ordersIn reads the orders in a CSV file with the newest book.
func (j *job) ordersIn(file string, night civil.Date) ([]*v1.SubmitOrderRequest, error) {
	text, err := j.read(file)
	if err != nil {
		return nil, err
	}
	b, err := j.wholeBook()
	if err != nil {
		return nil, err
	}
	orders, err := book.ReadOrders(file, text, b, night)
	if err != nil {
		return nil, err
	}
	if len(orders) == 0 {
		return nil, commissary.Refuse(commissary.Invalid, "ORDERS_INVALID", "%s holds no order; write one line for each shop and item", file)
	}
	var list []*v1.SubmitOrderRequest
	for _, o := range orders {
		list = append(list, &v1.SubmitOrderRequest{Name: wire.OrderName(j.settings.Kitchen, night, o.Shop), Lines: wire.OrderLines(o.Lines)})
	}
	return list, nil
}

// wholeBook is the newest book, read from its text.
func (j *job) wholeBook() (commissary.Book, error) {
	m, err := j.book()
	if err != nil {
		return commissary.Book{}, err
	}
	return book.Read(m.GetRevision().GetName(), m.GetSource())
}

func siteOf(orders []*v1.Order) *v1.Site {
	if len(orders) == 0 {
		return nil
	}
	return orders[0].GetSite()
}

// orderOf adds the flags that name one order and returns its name.
func orderOf(cmd *cobra.Command) func(j *job) (string, error) {
	night := nightFlag(cmd)
	shop := cmd.Flags().String("shop", "", "id of the shop")
	required(cmd, "shop")
	return func(j *job) (string, error) {
		d, err := date("night", *night)
		return wire.OrderName(j.settings.Kitchen, d, *shop), err
	}
}

func showOrderCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Show a shop's order of a night", Args: cobra.NoArgs}
	name := orderOf(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		order, err := name(j)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.GetOrder, &v1.GetOrderRequest{Name: order})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Order(m.GetOrder()), nil })
	})
	return cmd
}

func listOrdersCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List a night's orders", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m := &v1.ListOrdersResponse{}
		if m.Orders, err = j.orders(name); err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Orders(c.GetSite(), m.GetOrders()), err
		})
	})
	return cmd
}

// orders returns every order of a night.
func (j *job) orders(night string) ([]*v1.Order, error) {
	return all(func(token string) ([]*v1.Order, string, error) {
		page, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.ListOrders, &v1.ListOrdersRequest{Night: night, PageToken: token})
		return page.GetOrders(), page.GetNextPageToken(), err
	})
}

func cancelOrderCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "cancel", Short: "Withdraw a shop's order: its standing order counts again", Args: cobra.NoArgs}
	name := orderOf(cmd)
	etag := cmd.Flags().String("etag", "", "etag of the order as last read; the one in force when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		order, err := name(j)
		if err != nil {
			return err
		}
		newest := ""
		if *etag == "" {
			now, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.GetOrder, &v1.GetOrderRequest{Name: order})
			if err != nil {
				return err
			}
			newest = now.GetOrder().GetEtag()
		}
		req := &v1.CancelOrderRequest{Name: order, Etag: j.etag(*etag, newest)}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.CancelOrder, req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Order(m.GetOrder()), nil })
	})
	return cmd
}

func admitOrderCommand() *cobra.Command {
	var w wanted
	cmd := &cobra.Command{Use: "admit", Short: "Admit a shop's order into a night that is closed", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	w.flags(cmd)
	reason := cmd.Flags().String("reason", "", "why it is admitted, in words that the other shops could read")
	id := writeFlags(cmd)
	required(cmd, "shop", "reason")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		req := &v1.AdmitLateOrderRequest{Name: wire.OrderName(j.settings.Kitchen, d, w.shop), Closed: w.closed, LateReason: *reason, Etag: w.etag, PhonedBy: w.phoned}
		if req.Lines, err = w.read(); err != nil {
			return err
		}
		if w.phoned != "" {
			if err := j.readBack(d, w.shop, w.phoned, req.GetLines()); err != nil {
				return err
			}
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.AdmitLateOrder, req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Order(m.GetOrder()), nil })
	})
	return cmd
}

// readBack prints an order that somebody at a shop gives by telephone, to be
// read back, and refuses to go on without a yes.
func (j *job) readBack(night civil.Date, shop, who string, lines []*v1.OrderLine) error {
	m, err := j.catalog(night, shop, "")
	if err != nil {
		return err
	}
	c := &counter{job: j, lines: bufio.NewScanner(j.in), echo: !j.typed()}
	c.say("READ BACK to %s at %s,", who, shop)
	c.say("night of %s", night.Long())
	for _, l := range lines {
		for _, x := range m.GetLines() {
			if x.GetItemId() == l.GetItemId() {
				l = &v1.OrderLine{ItemName: x.GetItemName(), BakeDate: cmp.Or(l.GetBakeDate(), x.GetBakeDate()), Pieces: l.GetPieces()}
			}
		}
		c.say("%7d  %s", l.GetPieces(), cmp.Or(l.GetItemName(), l.GetItemId()))
		c.say("         for %s", shortDay(l.GetBakeDate()))
	}
	c.say("%s", totalText(lines, m.GetLines()))
	odd, err := j.unusual(night, shop, lines)
	if err != nil {
		return err
	}
	for _, l := range odd {
		c.say("%s", folded("", "ASK: "+l.GetQuestion()))
	}
	right := false
	if err := c.ask("Is that right? yes or no:", yesNo(&right)); err != nil {
		return err
	}
	if !right {
		return commissary.Refuse(commissary.Invalid, "NOT_CONFIRMED", "%s did not confirm the order; nothing was sent", who)
	}
	return nil
}
