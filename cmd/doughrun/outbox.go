package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
	"doughrun/storefront/outbox"
)

// outbox is this machine's outbox.
func (j *job) outbox() (*outbox.Box, error) {
	dir := j.settings.Outbox
	if rest, ok := strings.CutPrefix(dir, "~/"); ok {
		home, err := os.UserHomeDir()
		if err != nil {
			return nil, commissary.Refuse(commissary.Invalid, "OUTBOX_UNKNOWN", "the outbox's folder %s cannot be found: %v; name one with --outbox", dir, err)
		}
		dir = filepath.Join(home, rest)
	}
	return outbox.At(dir), nil
}

// judge holds orders against the service's rules and keeps nothing.
func (j *job) judge(orders []*v1.SubmitOrderRequest, replace bool) ([]*v1.Order, error) {
	fmt.Fprintf(j.talk, "doughrun: holding %s against the service's rules; nothing is kept yet\n", quantity.Counted(len(orders), "order"))
	conn, err := j.dial()
	if err != nil {
		return nil, err
	}
	client := storefront.New(conn)
	var judged []*v1.Order
	for _, req := range orders {
		dry := proto.CloneOf(req)
		dry.ValidateOnly, dry.RequestId = true, uuid.NewString()
		if replace {
			m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.GetOrder, &v1.GetOrderRequest{Name: req.GetName()})
			if err != nil && status.Code(err) != codes.NotFound {
				return nil, err
			}
			dry.Etag = m.GetOrder().GetEtag()
		}
		ctx, cancel := j.patience()
		r, err := client.Submit(ctx, dry)
		cancel()
		if err != nil {
			if len(orders) > 1 {
				fmt.Fprintf(j.talk, "doughrun: %s is refused, so none was sent\n", req.GetName())
			}
			return nil, err
		}
		judged = append(judged, r.Order)
	}
	return judged, nil
}

// submit puts orders into the outbox, sends what waits there, and returns the
// receipts. Its error is that of the first order that has none.
func (j *job) submit(orders []*v1.SubmitOrderRequest, replace bool) ([]*v1.Order, error) {
	box, err := j.outbox()
	if err != nil {
		return nil, err
	}
	for _, req := range orders {
		_, err := box.Put(time.Now(), req, replace)
		if errors.Is(err, outbox.ErrReused) {
			return nil, commissary.Refuse(commissary.Invalid, "REQUEST_ID_REUSED", "%v", err)
		}
		if err != nil {
			return nil, err
		}
	}
	sent, err := j.send(box)
	if err != nil {
		return nil, err
	}
	s, err := box.Status()
	if err != nil {
		return nil, err
	}
	results := map[string]storefront.Sent{}
	for _, e := range s.Entries {
		results[e.ID] = storefront.Sent{Entry: e}
	}
	for _, r := range sent {
		results[r.ID] = r
	}
	var kept []*v1.Order
	for _, req := range orders {
		r := results[req.GetRequestId()]
		if r.State == outbox.Accepted {
			kept = append(kept, r.Order)
			continue
		}
		if len(orders) > 1 {
			fmt.Fprintf(j.talk, "doughrun: %d of %d orders went through; %s did not\n", len(kept), len(orders), req.GetName())
		}
		return nil, notTaken(r)
	}
	return kept, nil
}

// notTaken is why a draft has no receipt, and where it is now.
func notTaken(r storefront.Sent) error {
	err := r.Err
	if err == nil {
		err = errors.New(cmp.Or(r.Why, "orders before it wait too"))
	}
	switch r.State {
	case outbox.Waiting:
		return &failure{exitUnavailable, fmt.Errorf("the order is kept in the outbox and waits: %s\n  \"doughrun order send\" sends it again, never twice", explain(err))}
	case outbox.Late:
		return &failure{exitRefused, fmt.Errorf("%s\n  the order stays in the outbox as a draft, marked late, until the kitchen admits it", explain(err))}
	}
	if r.Err != nil {
		return r.Err
	}
	return &failure{exitRefused, fmt.Errorf("the order is %s: %s", strings.ToLower(string(r.State)), r.Why)}
}

// send sends what waits in the outbox: counts first, then orders.
func (j *job) send(box *outbox.Box) ([]storefront.Sent, error) {
	conn, err := j.dial()
	if err != nil {
		return nil, err
	}
	ctx, cancel := j.patience()
	defer cancel()
	client := storefront.New(conn)
	if _, err := client.SendErrands(ctx, box, time.Now); err != nil {
		return nil, err
	}
	sent, err := client.Send(ctx, box, time.Now)
	for _, r := range sent {
		if r.Attempts > 1 && r.State != outbox.Waiting {
			fmt.Fprintf(j.talk, "doughrun: %s was sent %d times until there was an answer\n", r.Request.GetName(), r.Attempts)
		}
	}
	return sent, err
}

func sendOrdersCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "send",
		Short: "Send the counts and orders that wait in the outbox, and see which late ones were admitted",
		Args:  cobra.NoArgs,
		RunE: act(func(j *job, _ []string) error {
			box, err := j.outbox()
			if err != nil {
				return err
			}
			counts, _, err := countsOf(box)
			if err != nil {
				return err
			}
			sent, err := j.send(box)
			if err != nil {
				return err
			}
			after, _, err := countsOf(box)
			if err != nil {
				return err
			}
			counts = slices.DeleteFunc(after, func(e outbox.Errand) bool { // those that waited
				return !slices.ContainsFunc(counts, func(c outbox.Errand) bool { return c.ID == e.ID && c.State == outbox.Waiting })
			})
			list := make([]outbox.Entry, 0, len(sent))
			orders, waiting, refused := 0, 0, 0
			for _, r := range sent {
				list = append(list, r.Entry)
				if r.State == outbox.Waiting {
					orders++
				}
			}
			for _, e := range counts {
				switch e.State {
				case outbox.Waiting:
					waiting++
				case outbox.Refused:
					refused++
				}
			}
			if err := j.write([]byte(entriesText(list, counts, "Nothing waits in the outbox."))); err != nil {
				return err
			}
			if orders+waiting > 0 {
				return &failure{exitUnavailable, fmt.Errorf("%s and %s still waiting; send again later", quantity.Counted(orders, "order"), quantity.Counted(waiting, "count"))}
			}
			if err := exceptions(refused, "counts were refused; count again, put right"); err != nil {
				return err
			}
			return unsettled(list, nil)
		}),
	}
}

func orderStatusCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Show the outbox at a glance: what waits, what is late, what was answered; needs no link",
		Args:  cobra.NoArgs,
	}
	drop := cmd.Flags().String("drop", "", "take back the draft or count with this request id: a late one, or one that must not be sent any more")
	cmd.RunE = act(func(j *job, _ []string) error {
		box, err := j.outbox()
		if err != nil {
			return err
		}
		counts, damaged, err := countsOf(box)
		if err != nil {
			return err
		}
		if *drop != "" {
			state := outbox.State("")
			if slices.ContainsFunc(counts, func(e outbox.Errand) bool { return e.ID == *drop }) {
				e, err := box.Answer(time.Now(), *drop, outbox.Dropped, nil, "taken back here")
				if err != nil {
					return err
				}
				state = e.State
				if counts, damaged, err = countsOf(box); err != nil {
					return err
				}
			} else {
				e, err := box.Settle(time.Now(), *drop, outbox.Dropped, "taken back here")
				if err != nil {
					return commissary.Refuse(commissary.NotFound, "DRAFT_NOT_FOUND", "%v", err)
				}
				state = e.State
			}
			if state != outbox.Dropped {
				return commissary.Refuse(commissary.Precondition, "DRAFT_SETTLED", "it is %s already; cancel or amend the order, or count again", strings.ToLower(string(state)))
			}
		}
		s, err := box.Status()
		if err != nil {
			return err
		}
		damaged += s.Damaged
		text := entriesText(s.Entries, counts, "The outbox is empty.")
		if damaged > 0 {
			text += fmt.Sprintf("%s of the outbox in %s cannot be read: an order or a count may be missing. Compare with \"order show\".\n", quantity.Counted(damaged, "line"), box.Dir())
		}
		if err := j.write([]byte(text)); err != nil {
			return err
		}
		if damaged > 0 {
			return exceptions(damaged, "the outbox is damaged")
		}
		return unsettled(s.Entries, counts)
	})
	return cmd
}

// unsettled ends a look at the outbox that shows open drafts.
func unsettled(list []outbox.Entry, counts []outbox.Errand) error {
	n := 0
	for _, e := range list {
		if e.Open() {
			n++
		}
	}
	for _, e := range counts {
		if e.State == outbox.Waiting {
			n++
		}
	}
	return exceptions(n, "drafts are waiting or late")
}

// countsOf are the counts of an outbox, and how many lines of its errands cannot be read.
func countsOf(box *outbox.Box) (counts []outbox.Errand, damaged int, err error) {
	all, damaged, err := box.Errands()
	return slices.DeleteFunc(all, func(e outbox.Errand) bool { return e.Count() == nil }), damaged, err
}

// shownSettled is how many settled drafts a look shows.
const shownSettled = 5

// entriesText is a list of drafts and counts for forty columns, open ones first.
func entriesText(list []outbox.Entry, counts []outbox.Errand, empty string) string {
	if len(list)+len(counts) == 0 {
		return empty + "\n"
	}
	var b strings.Builder
	open, settled := 0, 0
	var answered []outbox.Errand
	for _, e := range counts {
		if e.State == outbox.Waiting {
			open++
			b.WriteString(errandsText([]outbox.Errand{e}, ""))
		} else {
			answered = append(answered, e)
		}
	}
	show := func(e outbox.Entry) {
		_, night, shop, err := wire.ParseOrder(e.Request.GetName())
		if err != nil {
			fmt.Fprintf(&b, "%s %s\n", e.State, e.Request.GetName())
			return
		}
		var pieces int64
		for _, l := range e.Request.GetLines() {
			pieces += l.GetPieces()
		}
		what := quantity.Counted(pieces, "piece")
		if e.Request.GetClosed() {
			what = "closed"
		}
		fmt.Fprintf(&b, "%s %s\n  night of %s, %s\n", e.State, shop, night.Short(), what)
		switch e.State {
		case outbox.Accepted:
			fmt.Fprintf(&b, "  revision %d, code %s\n", e.Order.GetRevision(), storefront.Code(e.Order))
		case outbox.Replaced, outbox.Dropped:
		default:
			if e.Why != "" {
				why, lines, _ := strings.Cut(e.Why, "\n")
				fmt.Fprintln(&b, folded("  ", why))
				for l := range strings.Lines(lines) {
					fmt.Fprintln(&b, strings.Replace(folded("    ", l), "    ", "  * ", 1))
				}
			}
			fmt.Fprintf(&b, "  %s\n", e.ID)
		}
	}
	for _, e := range list {
		if e.Open() {
			open++
			show(e)
		}
	}
	for i := len(list) - 1; i >= 0 && settled < shownSettled; i-- {
		if !list[i].Open() {
			settled++
			show(list[i])
		}
	}
	shown := answered[max(len(answered)-shownSettled, 0):]
	for _, e := range slices.Backward(shown) {
		b.WriteString(errandsText([]outbox.Errand{e}, ""))
	}
	fmt.Fprintf(&b, "%d OPEN", open)
	if n := len(list) + len(counts) - open - settled - len(shown); n > 0 {
		fmt.Fprintf(&b, " (and %d older answered)", n)
	}
	b.WriteString("\n")
	return b.String()
}
