package storefront

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

// Told is what became of one errand in a round of sending.
type Told struct {
	outbox.Errand
	Drop  *v1.Drop // of a confirmed stop
	Notes []string // what the kitchen says beside its answer
	Err   error    // the kitchen's refusal, or why there is no answer
}

// SendErrands sends the errands that wait in an outbox, departures first and
// otherwise in the order in which they were kept, and returns what became of each. Once the kitchen cannot be
// reached within ctx the rest goes on waiting; so do the stops of a run whose
// departure was refused, until a departure of that run is accepted. Its error
// says that the outbox itself failed. now stamps what is kept.
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
	for _, e := range errands {
		told := Told{Errand: e}
		if why, stuck := refused[e.ManifestOf()]; e.State == outbox.Waiting && !away && stuck && rank(e) > 0 {
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
		if e.State == outbox.Waiting {
			away = away || again(told.Err)
			all = append(all, told)
		}
	}
	return all, nil
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
	var manifest *v1.Manifest
	for wait := firstWait; ; wait = min(2*wait, longestWait) {
		manifest, told.Drop, told.Notes, told.Err = c.once(ctx, e)
		if told.Err == nil || !again(told.Err) && ctx.Err() == nil {
			break
		}
		if c.pause(ctx, wait/2+rand.N(wait/2)) != nil {
			break
		}
	}
	why := ""
	if told.Err != nil {
		why = status.Convert(told.Err).Message()
	}
	var err error
	switch {
	case told.Err == nil:
		told.Errand, err = box.Answer(now(), e.ID, outbox.Accepted, manifest, "")
	case decided(told.Err):
		told.Errand, err = box.Answer(now(), e.ID, outbox.Refused, nil, why)
	default:
		told.Why = why
		err = box.Missed(now(), e.ID, why)
	}
	return told, err
}

func (c *Client) once(ctx context.Context, e outbox.Errand) (*v1.Manifest, *v1.Drop, []string, error) {
	ctx, cancel := context.WithTimeout(ctx, c.within)
	defer cancel()
	switch req := e.Request.(type) {
	case *v1.DepartRunRequest:
		m, err := c.road.DepartRun(ctx, req)
		return m.GetManifest(), nil, m.GetNotes(), err
	case *v1.ConfirmStopRequest:
		m, err := c.road.ConfirmStop(ctx, req)
		return m.GetManifest(), m.GetDrop(), m.GetNotes(), err
	}
	return nil, nil, nil, fmt.Errorf("an errand of kind %T", e.Request)
}
