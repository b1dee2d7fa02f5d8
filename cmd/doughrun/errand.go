package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
	"doughrun/storefront/outbox"
)

// roadPatience is how long a driver stands at a door with the phone in his
// hand: what is kept by then is sent later.
const roadPatience = 5 * time.Second

// errand keeps what was done and sends what waits. Its error says that the
// kitchen refused it, or does not know it yet.
func (j *job) errand(req outbox.Write) (storefront.Told, error) {
	box, err := j.outbox()
	if err != nil {
		return storefront.Told{}, err
	}
	if err := j.keepErrand(box, req); err != nil {
		return storefront.Told{}, err
	}
	all, err := j.sendErrands(box)
	if err != nil {
		return storefront.Told{}, err
	}
	for _, t := range all {
		switch {
		case t.ID != req.GetRequestId():
		case t.State == outbox.Accepted:
			return t, nil
		case t.State == outbox.Refused:
			return t, t.Err
		case status.Code(t.Err) == codes.FailedPrecondition:
			return t, &failure{exitRefused, fmt.Errorf("kept on this machine: %s", t.Why)}
		default:
			return t, unsaid(t.Errand)
		}
	}
	// It was answered before: the same command was given again.
	errands, _, err := box.Errands()
	for _, e := range errands {
		if e.ID == req.GetRequestId() {
			return storefront.Told{Errand: e}, err
		}
	}
	return storefront.Told{}, err
}

// keepErrand puts an errand on the disk. Given again under its id it is the
// one that is kept, with the time it was given first.
func (j *job) keepErrand(box *outbox.Box, req outbox.Write) error {
	kept, _, err := box.Errands()
	if err != nil || slices.ContainsFunc(kept, func(e outbox.Errand) bool { return e.ID == req.GetRequestId() }) {
		return err
	}
	_, err = box.Run(time.Now(), req)
	return err
}

// unsaid is the failure of an errand that is kept and that the kitchen does not know yet.
func unsaid(e outbox.Errand) error {
	command := "doughrun stop send"
	if e.Count() != nil {
		command = "doughrun order send"
	}
	return &failure{exitUnavailable, fmt.Errorf("kept on this machine, and sent when there is a link: %q\n  %s", command, cmp.Or(e.Why, "errands before it wait too"))}
}

func (j *job) sendErrands(box *outbox.Box) ([]storefront.Told, error) {
	conn, err := j.dial()
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(j.ctx, min(roadPatience, j.settings.Timeout))
	defer cancel()
	return storefront.New(conn).SendErrands(ctx, box, time.Now)
}

// errandsText is a list of errands for forty columns.
func errandsText(list []outbox.Errand, empty string) string {
	if len(list) == 0 {
		return empty + "\n"
	}
	var b strings.Builder
	for _, e := range list {
		fmt.Fprintf(&b, "%s %s\n", e.State, errandWhat(e))
		if e.Why != "" {
			fmt.Fprintln(&b, folded("  ", e.Why))
		}
		if e.State == outbox.Waiting {
			fmt.Fprintf(&b, "  %s\n", e.ID)
		}
	}
	return b.String()
}

// errandWhat says what an errand tells, and of which night.
func errandWhat(e outbox.Errand) string {
	if c := e.Count(); c != nil {
		var left int64
		for _, l := range c.GetLines() {
			left += l.GetPieces()
		}
		_, night, err := wire.ParseNight(c.GetNight())
		if err != nil {
			return c.GetNight()
		}
		return fmt.Sprintf("count of %s\n  night of %s, %d left", c.GetShopId(), night.Short(), left)
	}
	_, night, run, err := wire.ParseManifest(e.ManifestOf())
	what := "run " + run + " left"
	if req, ok := e.Request.(*v1.ConfirmStopRequest); ok {
		what = "stop " + req.GetShopId()
	}
	if err != nil {
		what = e.ManifestOf()
	}
	return fmt.Sprintf("%s\n  run %s, night of %s", what, run, night.Short())
}
