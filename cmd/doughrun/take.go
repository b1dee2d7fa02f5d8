package main

import (
	"bufio"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
	"doughrun/storefront/outbox"
)

func takeOrderCommand() *cobra.Command {
	var shop string
	cmd := &cobra.Command{
		Use:   "take",
		Short: "Count and order by answering questions, one line each",
		Long: `Count and order by answering questions, one line each: what is left tonight,
what will sell, what is coming, what to send. Enter takes what is proposed.
It needs no more than a plain terminal and reads its answers from the standard
input, so that it works through a pipe as well.`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&shop, "shop", "", "id of the shop")
	required(cmd, "shop")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		c := &counter{job: j, lines: bufio.NewScanner(j.in), echo: !j.typed()}
		return c.take(d, shop)
	})
	return cmd
}

func (c *counter) take(night civil.Date, shop string) error {
	catalog, err := c.catalog(night, shop, "")
	if status.Code(err) == codes.Unavailable {
		return c.takeAway(night, shop, err)
	}
	if err != nil {
		return err
	}
	c.say("NIGHT OF %s", strings.ToUpper(night.Short()))
	if closes := firstCutOff(catalog); closes != "" {
		c.say("%s", folded("", "Order before "+closes+"; the receipt says when each line closes"))
	}
	propose := &v1.ProposeOrderRequest{Night: wire.NightName(c.settings.Kitchen, night), ShopId: shop}
	p, err := ask(c.job, v1.NewOrderServiceClient, v1.OrderServiceClient.ProposeOrder, propose)
	if err == nil && p.GetCounted() {
		again := false
		err = c.ask("The night is counted already.\nCount again? yes, or Enter for no:", orEnter(yesNo(&again)))
		if err != nil {
			return err
		}
		if !again {
			c.left = map[string]int64{}
		}
	}
	if c.left == nil {
		if err := c.count(night, shop, catalog.GetLines()); err != nil {
			return err
		}
		p, err = ask(c.job, v1.NewOrderServiceClient, v1.OrderServiceClient.ProposeOrder, propose)
	}
	if status.Code(err) == codes.Unavailable {
		return c.takeAway(night, shop, err)
	}
	if err != nil {
		return err
	}
	c.say("2 ORDER; Enter takes the number, why")
	c.say("  shows the arithmetic, 0 is none")
	var lines []*v1.OrderLine
	for _, l := range p.GetLines() {
		n, err := c.wants(l, besides(catalog.GetLines(), l.GetItemId()), night)
		if err != nil {
			return err
		}
		lines = ordered(lines, &v1.OrderLine{ItemId: l.GetItemId(), Pieces: n, BakeDate: l.GetBakeDate(), ItemName: l.GetItemName()})
	}
	if err := c.unlessAway(c.doubt(shop, lines, night)); err != nil {
		return err
	}
	return c.sendOff(night, shop, lines, catalog.GetLines())
}

// ordered puts a line into an order, in the place of the one of its item; none of it drops that.
func ordered(lines []*v1.OrderLine, l *v1.OrderLine) []*v1.OrderLine {
	i := slices.IndexFunc(lines, func(x *v1.OrderLine) bool { return x.GetItemId() == l.GetItemId() })
	switch {
	case i < 0 && l.GetPieces() > 0:
		return append(lines, l)
	case i >= 0 && l.GetPieces() > 0:
		lines[i] = l
	case i >= 0:
		return slices.Delete(lines, i, i+1)
	}
	return lines
}

// count asks what is left, keeps it, and tells the kitchen.
func (c *counter) count(night civil.Date, shop string, catalog []*v1.CatalogLine) error {
	c.say("1 LEFT TONIGHT, in the cold only")
	c.say("  such as 29, 3 boxes + 5, Wed 3b + 5;")
	c.say("  Enter: none is left")
	req := &v1.SubmitCountRequest{Night: wire.NightName(c.settings.Kitchen, night), ShopId: shop, CountTime: countedNow(), RequestId: uuid.NewString()}
	c.left = map[string]int64{}
	for _, l := range catalog {
		if l.GetParPieces() == 0 && l.UsualPieces == nil {
			continue
		}
		prompt := l.GetItemName() + "\n  left?"
		if n := l.GetPiecesPerContainer(); n > 1 {
			prompt = fmt.Sprintf("%s\n  left (boxes of %d)?", l.GetItemName(), n)
		}
		err := c.ask(prompt, func(answer string) error {
			if answer == "" {
				answer = "none"
			}
			read, err := countOf(l, answer, night)
			for _, heap := range read {
				c.left[l.GetItemId()] += heap.GetPieces()
			}
			req.Lines = append(req.Lines, read...)
			return err
		})
		if err != nil {
			return err
		}
	}
	if c.away {
		box, err := c.outbox()
		if err != nil {
			return err
		}
		return c.keepErrand(box, req)
	}
	told, err := c.errand(req)
	if told.State == outbox.Waiting {
		c.say("%s", folded("", "The link is gone; the count is kept and sent later."))
		return nil
	}
	if newer := told.Counted.GetNewerCountTime(); err == nil && newer != nil {
		c.say("%s", folded("", "Not kept: the kitchen has a count that was made later. Is this machine's clock right?"))
	}
	return err
}

// wants asks for the quantity of one line.
func (c *counter) wants(l *v1.ProposedLine, beside string, night civil.Date) (n int64, err error) {
	c.say("%s", l.GetItemName())
	if l.GetObstacle() != "" {
		c.say("%s", folded("  ", "cannot be ordered: "+l.GetObstacle()))
		return 0, nil
	}
	c.say("  %s", forDays(l))
	c.say("  left %d, will sell %d, coming %d", l.GetLeftPieces(), l.GetSellPieces(), l.GetComingPieces())
	if n := c.left[l.GetItemId()]; n > l.GetLeftPieces() {
		c.say("  %d counted, %d usable that day", n, l.GetLeftPieces())
	}
	if changes := strings.TrimRight(changesText(l), "\n"); changes != "" {
		c.say("%s", changes)
	}
	if l.GetLapsePieces() > 0 {
		c.say("%s", folded("  ", lapseText(l)))
	}
	if beside != "" {
		c.say("%s", beside)
	}
	prompt := fmt.Sprintf("  send? [%d]", l.GetPieces())
	if l.GetBoxes() > 0 {
		prompt = fmt.Sprintf("  send? [%d, %s]", l.GetPieces(), boxes(l.GetBoxes()))
	}
	err = c.ask(prompt, func(answer string) error {
		switch strings.ToLower(answer) {
		case "":
			n = l.GetPieces()
			return nil
		case "why", "?":
			c.say("%s", strings.TrimRight(arithmetic(l), "\n"))
			return errAsked
		}
		n, err = piecesIn(answer, l.GetPiecesPerContainer(), night)
		return err
	})
	return n, err
}

// takeAway takes an order down without a link, from the catalogue that was
// seen last, and leaves it in the outbox.
func (c *counter) takeAway(night civil.Date, shop string, cause error) error {
	seen, err := c.seen(night, shop, cause)
	if err != nil {
		return err
	}
	c.away = true
	for _, l := range seen.GetLines() {
		l.BakeDate = "" // of another night: it is left to the kitchen
	}
	c.say("NO LINK. Night of %s", night.Short())
	c.say("%s", folded("", fmt.Sprintf("The items and quantities shown were seen %s, for the night of %s. Count and order wait in the outbox until the link is back.", ago(time.Since(seen.At)), seen.Night.Short())))
	if c.left == nil {
		if err := c.count(night, shop, seen.GetLines()); err != nil {
			return err
		}
	}
	c.say("%s", folded("", "2 ORDER; Enter takes the usual number, whatever is left; 0 is none"))
	var lines []*v1.OrderLine
	for _, l := range seen.GetLines() {
		usual := l.GetParPieces()
		if l.UsualPieces != nil {
			usual = l.GetUsualPieces()
		}
		c.say("%s", l.GetItemName())
		c.say("%s", besides(seen.GetLines(), l.GetItemId()))
		if left := c.left[l.GetItemId()]; left > 0 {
			c.say("  left %d", left)
		}
		var n int64
		err := c.ask(fmt.Sprintf("  send? [%d]", usual), func(answer string) (err error) {
			if n = usual; answer != "" {
				n, err = piecesIn(answer, l.GetPiecesPerContainer(), night)
			}
			return err
		})
		if err != nil {
			return err
		}
		lines = ordered(lines, &v1.OrderLine{ItemId: l.GetItemId(), Pieces: n, ItemName: l.GetItemName()})
	}
	return c.sendOff(night, shop, lines, seen.GetLines())
}

// unusual are the lines of an order with a quantity that the shop is asked about.
func (j *job) unusual(night civil.Date, shop string, lines []*v1.OrderLine) ([]*v1.ProposedLine, error) {
	if len(lines) == 0 {
		return nil, nil
	}
	m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.ProposeOrder,
		&v1.ProposeOrderRequest{Night: wire.NightName(j.settings.Kitchen, night), ShopId: shop, Wanted: lines})
	return slices.DeleteFunc(m.GetLines(), func(l *v1.ProposedLine) bool { return l.GetQuestion() == "" }), err
}

// doubt asks once about quantities that are unusual for the shop.
func (c *counter) doubt(shop string, lines []*v1.OrderLine, night civil.Date) error {
	asked, err := c.unusual(night, shop, lines)
	if err != nil {
		return err
	}
	for _, l := range asked {
		c.say("%s", folded("", l.GetQuestion()))
		err := c.ask("  Enter keeps it, or a new number:", func(answer string) error {
			if answer == "" {
				return nil
			}
			heaps, err := storefront.ReadCount(answer, l.GetPiecesPerContainer(), night)
			if err != nil {
				return err
			}
			if len(heaps) != 1 || !heaps[0].Made.IsZero() || heaps[0].Pieces == 0 {
				return fmt.Errorf("write one number above 0")
			}
			for _, w := range lines {
				if w.GetItemId() == l.GetItemId() {
					w.Pieces = heaps[0].Pieces
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// unlessAway goes on without a link where that is all that is wrong: what was
// answered so far is not lost.
func (c *counter) unlessAway(err error) error {
	if status.Code(err) != codes.Unavailable {
		return err
	}
	if !c.away {
		c.away = true
		c.say("%s", folded("", "The link is gone. The order replaces what the kitchen has, and waits in the outbox until the link is back."))
	}
	return nil
}

// sendOff reads the order back and sends it on a yes. Some letters of an item
// change its line before.
func (c *counter) sendOff(night civil.Date, shop string, lines []*v1.OrderLine, catalog []*v1.CatalogLine) error {
	c.say("3 SEND")
	req := &v1.SubmitOrderRequest{Name: wire.OrderName(c.settings.Kitchen, night, shop), RequestId: uuid.NewString()}
	if c.away {
		c.say("It replaces what the kitchen has.")
	} else {
		before, err := ask(c.job, v1.NewOrderServiceClient, v1.OrderServiceClient.GetOrder, &v1.GetOrderRequest{Name: req.GetName()})
		if status.Code(err) == codes.NotFound {
			err = nil
		}
		if err := c.unlessAway(err); err != nil {
			return err
		}
		if req.Etag = before.GetOrder().GetEtag(); req.Etag != "" {
			c.say("It replaces revision %s.", req.GetEtag())
		}
	}
	for done := false; !done; {
		c.say("%s", orderText(lines, catalog))
		yes := false
		var changed *v1.OrderLine
		err := c.ask("Send? yes, no, or letters of an item\nto change it:", func(answer string) error {
			if answer == "" || yesNo(&yes)(answer) == nil {
				done = answer != ""
				return map[bool]error{false: fmt.Errorf("write yes or no, or some letters of an item")}[done]
			}
			l, err := found(catalog, answer)
			if err != nil {
				return err
			}
			return c.ask(fmt.Sprintf("%s\n  send?", l.GetItemName()), func(answer string) error {
				n, err := piecesIn(answer, l.GetPiecesPerContainer(), night)
				changed = &v1.OrderLine{ItemId: l.GetItemId(), Pieces: n, BakeDate: l.GetBakeDate(), ItemName: l.GetItemName()}
				return err
			})
		})
		if err == nil && changed.GetPieces() > 0 && !c.away {
			err = c.unlessAway(c.doubt(shop, []*v1.OrderLine{changed}, night))
		}
		if err != nil {
			return err
		}
		if changed != nil {
			lines = ordered(lines, changed)
		}
		if done && !yes {
			c.say("Nothing was ordered.")
			return nil
		}
	}
	req.Closed = len(lines) == 0
	for _, l := range lines {
		req.Lines = append(req.Lines, &v1.OrderLine{ItemId: l.GetItemId(), Pieces: l.GetPieces(), BakeDate: l.GetBakeDate()})
	}
	if _, err := c.submit([]*v1.SubmitOrderRequest{req}, c.away); err != nil {
		return err
	}
	m, err := c.receipt(req.GetName())
	if err != nil {
		return err
	}
	return c.show(m, func() (string, error) { return receiptText(m) })
}

// orderText reads an order back: what is sent, and what a standing order has
// and this one does not.
func orderText(lines []*v1.OrderLine, catalog []*v1.CatalogLine) string {
	var b strings.Builder
	for _, l := range lines {
		fmt.Fprintf(&b, "%7d  %s\n", l.GetPieces(), l.GetItemName())
	}
	return b.String() + totalText(lines, catalog)
}

func totalText(lines []*v1.OrderLine, catalog []*v1.CatalogLine) string {
	if len(lines) == 0 {
		return "The shop wants nothing at all."
	}
	var total int64
	for _, l := range lines {
		total += l.GetPieces()
	}
	s := fmt.Sprintf("%s\n%7d  PIECES IN ALL", strings.Repeat("=", narrow), total)
	if none := lacking(lines, catalog); none != "" {
		s += "\n" + folded("", none)
	}
	return s
}
