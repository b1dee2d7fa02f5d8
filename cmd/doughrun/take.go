package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
	"doughrun/storefront/outbox"
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

// narrow is how many columns the talk at the counter takes.
const narrow = 40

// folded breaks a text into lines of forty columns.
func folded(indent, text string) string {
	var b strings.Builder
	line := indent
	for _, w := range strings.Fields(text) {
		if line != indent && len([]rune(line))+1+len([]rune(w)) > narrow {
			b.WriteString(line + "\n")
			line = indent
		}
		if line != indent {
			line += " "
		}
		line += w
	}
	return b.String() + line
}

// counter is the talk with whoever closes the shop, line by line.
type counter struct {
	*job
	lines *bufio.Scanner
	echo  bool             // nobody types, so the answers are shown
	away  bool             // there is no link
	left  map[string]int64 // pieces counted of each item; nil before the count
}

// typed reports whether answers are typed on a terminal, which shows them itself.
func (j *job) typed() bool {
	f, ok := j.in.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

func (c *counter) say(format string, args ...any) { fmt.Fprintf(c.talk, format+"\n", args...) }

// ask prompts until read takes the answer.
func (c *counter) ask(prompt string, read func(answer string) error) error {
	for {
		fmt.Fprint(c.talk, prompt+" ")
		if !c.lines.Scan() {
			fmt.Fprintln(c.talk)
			return commissary.Refuse(commissary.Invalid, "INPUT_ENDED", "the answers ended; nothing was sent")
		}
		if c.echo {
			fmt.Fprintln(c.talk, c.lines.Text())
		}
		err := read(strings.TrimSpace(c.lines.Text()))
		if err == nil {
			return nil
		}
		if errors.Is(err, errAsked) {
			continue
		}
		c.say("%s", folded("  ", err.Error()))
	}
}

// errAsked is the answer of somebody who asked something back.
var errAsked = errors.New("asked back")

// orEnter takes Enter as an answer too, which changes nothing.
func orEnter(read func(string) error) func(string) error {
	return func(answer string) error {
		if answer == "" {
			return nil
		}
		return read(answer)
	}
}

// yesNo reads a yes or a no.
func yesNo(yes *bool) func(string) error {
	return func(answer string) error {
		switch strings.ToLower(answer) {
		case "y", "yes":
			*yes = true
		case "n", "no":
		default:
			return fmt.Errorf("write yes or no")
		}
		return nil
	}
}

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

// piecesIn reads a quantity to order.
func piecesIn(answer string, perBox int64, night civil.Date) (n int64, err error) {
	heaps, err := storefront.ReadCount(answer, perBox, night)
	if err != nil {
		return 0, err
	}
	for _, h := range heaps {
		if !h.Made.IsZero() {
			return 0, fmt.Errorf("an order names no day label; write the number, for example 48 or 6 boxes")
		}
		n += h.Pieces
	}
	return n, nil
}

// besides is what stands beside a line: the standing and the usual quantity.
func besides(catalog []*v1.CatalogLine, item string) string {
	for _, l := range catalog {
		if l.GetItemId() != item {
			continue
		}
		s := fmt.Sprintf("  standing %d", l.GetParPieces())
		if l.UsualPieces != nil {
			s += fmt.Sprintf(", usual %d", l.GetUsualPieces())
		}
		return s
	}
	return ""
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

// ago says how long ago something was.
func ago(d time.Duration) string {
	switch {
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min ago", int(d.Minutes()))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h ago", int(d.Hours()))
	}
	return fmt.Sprintf("%d days ago", int(d.Hours()/24))
}

func boxes(n int64) string {
	if n == 1 {
		return "1 box"
	}
	return fmt.Sprint(n, " boxes")
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

// lacking names what the shop's standing order has and an order has not: an
// order is the whole of what comes.
func lacking(lines []*v1.OrderLine, catalog []*v1.CatalogLine) string {
	var none []string
	for _, x := range catalog {
		if x.GetParPieces() > 0 && x.GetObstacle() == "" && !slices.ContainsFunc(lines, func(l *v1.OrderLine) bool { return l.GetItemId() == x.GetItemId() }) {
			none = append(none, x.GetItemName())
		}
	}
	if len(none) == 0 {
		return ""
	}
	return "NOTHING OF " + strings.Join(none, ", ")
}

// found is the one item of a catalogue whose name or id has the letters.
func found(catalog []*v1.CatalogLine, letters string) (*v1.CatalogLine, error) {
	var hits []*v1.CatalogLine
	for _, l := range catalog {
		if strings.EqualFold(l.GetItemName(), letters) || strings.EqualFold(l.GetItemId(), letters) {
			return l, nil
		}
		if strings.Contains(strings.ToLower(l.GetItemName()+" "+l.GetItemId()), strings.ToLower(letters)) {
			hits = append(hits, l)
		}
	}
	switch len(hits) {
	case 0:
		return nil, fmt.Errorf("no item has %q; write yes, no, or letters of an item", letters)
	case 1:
		return hits[0], nil
	}
	var names []string
	for _, l := range hits {
		names = append(names, l.GetItemName())
	}
	return nil, fmt.Errorf("%q is in %s; write more of it", letters, strings.Join(names, ", "))
}

func catalogCommand() *cobra.Command {
	var shop, search string
	cmd := &cobra.Command{Use: "catalog", Short: "List what a shop may order, with its standing and usual quantities", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&shop, "shop", "", "id of the shop")
	cmd.Flags().StringVar(&search, "search", "", "a few letters of the item's name or id")
	required(cmd, "shop")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		m, err := j.catalog(d, shop, search)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			var b strings.Builder
			for _, l := range m.GetLines() {
				usual := "-"
				if l.UsualPieces != nil {
					usual = fmt.Sprint(l.GetUsualPieces())
				}
				fmt.Fprintf(&b, "%s\n  %s, %s\n  standing %d, usual %s\n", l.GetItemName(), l.GetItemId(), boxesOf(l.GetPiecesPerContainer()), l.GetParPieces(), usual)
				if l.GetObstacle() != "" {
					fmt.Fprintf(&b, "%s\n", folded("  ", l.GetObstacle()))
				}
			}
			if len(m.GetLines()) == 0 {
				b.WriteString("Nothing matches.\n")
			}
			return b.String(), nil
		})
	})
	return cmd
}

func boxesOf(n int64) string { return fmt.Sprintf("boxes of %d", n) }
