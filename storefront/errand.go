package storefront

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

// Told is what became of one errand in a round of sending.
type Told struct {
	outbox.Errand
	Drop    *v1.Drop                // of a confirmed stop
	Counted *v1.SubmitCountResponse // of a count
	Notes   []string                // what the kitchen says beside its answer
	Err     error                   // the kitchen's refusal, or why there is no answer
}

// SendErrands sends the errands that wait in an outbox, departures first and
// otherwise in the order in which they were kept, and returns what became of
// each. Once the kitchen cannot be reached within ctx the rest goes on waiting;
// so do the stops of a run whose departure was refused, until a departure of
// that run is accepted, and counts behind one of the same shop that waits. Its
// error says that the outbox itself failed. now stamps what is kept.
func (c *Client) SendErrands(ctx context.Context, box *outbox.Box, now func() time.Time) ([]Told, error) {
	errands, _, err := box.Errands()
	if err != nil {
		return nil, err
	}
	// A departure waits for nothing and its stops wait for it.
	slices.SortStableFunc(errands, func(a, b outbox.Errand) int { return rank(a) - rank(b) })
	var all []Told
	away := false
	refused := map[string]string{} // runs whose departure was refused, with why
	waits := map[string]bool{}     // shops of which a count waits
	for _, e := range errands {
		told := Told{Errand: e}
		if e.Count() != nil && waits[counter(e)] {
			// It goes behind the one before.
		} else if why, stuck := refused[e.ManifestOf()]; e.State == outbox.Waiting && !away && stuck && rank(e) > 0 {
			told.Why = "the departure of its run was refused (" + why + "): say again that it departs, put right"
			told.Err = status.Error(codes.FailedPrecondition, told.Why)
			err = box.Missed(now(), e.ID, told.Why)
		} else if e.State == outbox.Waiting && !away {
			told, err = c.tell(ctx, box, now, e)
		}
		if err != nil {
			return all, err
		}
		if rank(e) == 0 && told.State == outbox.Refused {
			refused[e.ManifestOf()] = told.Why
		} else if rank(e) == 0 {
			delete(refused, e.ManifestOf())
		}
		waits[counter(e)] = waits[counter(e)] || told.State == outbox.Waiting
		if e.State == outbox.Waiting {
			away = away || again(told.Err)
			all = append(all, told)
		}
	}
	return all, nil
}

// counter is the shop that a count is of.
func counter(e outbox.Errand) string {
	kitchen, _, _ := strings.Cut(e.Count().GetNight(), "/nights/")
	return kitchen + "/" + e.Count().GetShopId()
}

func rank(e outbox.Errand) int {
	if _, departs := e.Request.(*v1.DepartRunRequest); departs {
		return 0
	}
	return 1
}

// tell sends one errand until there is an answer or ctx ends, and keeps the answer.
func (c *Client) tell(ctx context.Context, box *outbox.Box, now func() time.Time, e outbox.Errand) (Told, error) {
	told := Told{Errand: e}
	for wait := firstWait; ; wait = min(2*wait, longestWait) {
		c.once(ctx, &told)
		if told.Err == nil || !again(told.Err) && ctx.Err() == nil {
			break
		}
		if c.pause(ctx, wait/2+rand.N(wait/2)) != nil {
			break
		}
	}
	why := ""
	if told.Err != nil {
		why = reason(told.Err)
	}
	var err error
	switch {
	case told.Err == nil:
		told.Errand, err = box.Answer(now(), e.ID, outbox.Accepted, told.Manifest, strings.Join(told.Notes, "; "))
	case decided(told.Err):
		told.Errand, err = box.Answer(now(), e.ID, outbox.Refused, nil, why)
	default:
		told.Why = why
		err = box.Missed(now(), e.ID, why)
	}
	return told, err
}

// once sends an errand and takes down what the kitchen answers.
func (c *Client) once(ctx context.Context, told *Told) {
	ctx, cancel := context.WithTimeout(ctx, c.within)
	defer cancel()
	switch req := told.Request.(type) {
	case *v1.SubmitCountRequest:
		told.Counted, told.Err = c.orders.SubmitCount(ctx, req)
		if told.Counted.GetNewerCountTime() != nil {
			told.Notes = []string{"a count made later stands, this one was not kept"}
		}
	case *v1.DepartRunRequest:
		m, err := c.road.DepartRun(ctx, req)
		told.Manifest, told.Notes, told.Err = m.GetManifest(), m.GetNotes(), err
	case *v1.ConfirmStopRequest:
		m, err := c.road.ConfirmStop(ctx, req)
		told.Manifest, told.Drop, told.Notes, told.Err = m.GetManifest(), m.GetDrop(), m.GetNotes(), err
	default:
		told.Err = fmt.Errorf("an errand of kind %T", req)
	}
}
