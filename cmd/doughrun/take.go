package main

import (
	"bufio"
	"fmt"
	"os"
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
		fmt.Fprintf(&b, "%7d  %s\n%s\n%s", l.GetPieces(), forDays(l), folded("  ", l.GetWorking()), changesText(l))
		fmt.Fprintf(&b, "%s\n", folded("  ", l.GetBasis()))
		if l.GetLapsePieces() > 0 {
			fmt.Fprintf(&b, "%s\n", folded("  ", fmt.Sprintf("%d will pass their date unsold", l.GetLapsePieces())))
		}
	}
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
		c.say("%s", folded("  ", err.Error()))
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
	if err := c.count(night, shop, catalog.GetLines()); err != nil {
		return err
	}
	name := wire.NightName(c.settings.Kitchen, night)
	p, err := ask(c.job, v1.NewOrderServiceClient, v1.OrderServiceClient.ProposeOrder, &v1.ProposeOrderRequest{Night: name, ShopId: shop})
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
		if n > 0 {
			lines = append(lines, &v1.OrderLine{ItemId: l.GetItemId(), Pieces: n, BakeDate: l.GetBakeDate(), ItemName: l.GetItemName()})
		}
	}
	if err := c.doubt(name, shop, lines, night); err != nil {
		return err
	}
	return c.sendOff(night, shop, lines)
}

// count asks what is left, keeps it, and tells the kitchen.
func (c *counter) count(night civil.Date, shop string, catalog []*v1.CatalogLine) error {
	c.say("1 LEFT TONIGHT, in the cold only")
	c.say("  such as 29, 3 boxes + 5, Wed 3b + 5")
	req := &v1.SubmitCountRequest{Night: wire.NightName(c.settings.Kitchen, night), ShopId: shop, CountTime: countedNow(), RequestId: uuid.NewString()}
	c.left = map[string]int64{}
	for _, l := range catalog {
		if l.GetParPieces() == 0 && l.UsualPieces == nil {
			continue
		}
		prompt := fmt.Sprintf("%s\n  left (boxes of %d)?", l.GetItemName(), l.GetPiecesPerContainer())
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
	if exitOf(err) == exitUnavailable {
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
	c.say("  will sell %d", l.GetSellPieces())
	c.say("  coming %d", l.GetComingPieces())
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
			return fmt.Errorf("%s %s(%s)", l.GetWorking(), changesText(l), l.GetBasis())
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
		if n > 0 { // the bake date is left to the kitchen
			lines = append(lines, &v1.OrderLine{ItemId: l.GetItemId(), Pieces: n, ItemName: l.GetItemName()})
		}
	}
	return c.sendOff(night, shop, lines)
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

// doubt asks once about quantities that are unusual for the shop.
func (c *counter) doubt(name, shop string, lines []*v1.OrderLine, night civil.Date) error {
	if len(lines) == 0 {
		return nil
	}
	p, err := ask(c.job, v1.NewOrderServiceClient, v1.OrderServiceClient.ProposeOrder, &v1.ProposeOrderRequest{Night: name, ShopId: shop, Wanted: lines})
	if err != nil {
		return err
	}
	for _, l := range p.GetLines() {
		if l.GetQuestion() == "" {
			continue
		}
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

// sendOff reads the order back and sends it on a yes.
func (c *counter) sendOff(night civil.Date, shop string, lines []*v1.OrderLine) error {
	var total int64
	c.say("3 SEND")
	for _, l := range lines {
		c.say("%7d  %s", l.GetPieces(), l.GetItemName())
		total += l.GetPieces()
	}
	c.say("========================================")
	c.say("%7d  PIECES IN ALL", total)
	req := &v1.SubmitOrderRequest{Name: wire.OrderName(c.settings.Kitchen, night, shop), Closed: len(lines) == 0, RequestId: uuid.NewString()}
	for _, l := range lines {
		req.Lines = append(req.Lines, &v1.OrderLine{ItemId: l.GetItemId(), Pieces: l.GetPieces(), BakeDate: l.GetBakeDate()})
	}
	prompt := "Send? yes or no:"
	var before *v1.GetOrderResponse
	var err error
	if c.away {
		prompt = "It replaces what the kitchen has.\n" + prompt
	} else {
		before, err = ask(c.job, v1.NewOrderServiceClient, v1.OrderServiceClient.GetOrder, &v1.GetOrderRequest{Name: req.GetName()})
		if err != nil && status.Code(err) != codes.NotFound {
			return err
		}
	}
	if before.GetOrder() != nil {
		req.Etag = before.GetOrder().GetEtag()
		prompt = fmt.Sprintf("It replaces revision %s.\n%s", req.GetEtag(), prompt)
	}
	if len(lines) == 0 {
		prompt = "The shop wants nothing at all.\n" + prompt
	}
	yes := false
	err = c.ask(prompt, yesNo(&yes))
	if err != nil {
		return err
	}
	if !yes {
		c.say("Nothing was ordered.")
		return nil
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
