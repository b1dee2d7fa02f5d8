package main

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
)

// factColumns head a file of facts.
const factColumns = "what,name,from,to,item,pieces,why"

// inForce adds to an input what a released plan and the facts since then say:
// batches begun stand, what came out is a lot, what was scrapped is gone, and
// what an outage lies across is planned again.
func (f *files) inForce(j *job, in *plan.Input) error {
	if f.plan == "" {
		if f.facts != "" {
			return &failure{exitUsage, errors.New("--facts without --in-force; name the file with the plan that the facts are about")}
		}
		return nil
	}
	_, p, err := j.readPlan(f.plan)
	if err != nil {
		return err
	}
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		return err
	}
	batches := map[string]*commissary.Batch{}
	for i := range p.Batches {
		b := &p.Batches[i]
		batches[b.ID] = b
		first := b.MixEnd
		for _, s := range b.Steps {
			if s.From.Before(first) {
				first = s.From
			}
		}
		if first.Before(p.At.Add(24 * time.Hour)) {
			b.State = commissary.BatchPosted
		}
	}
	if f.facts != "" {
		text, err := j.read(f.facts)
		if err != nil {
			return err
		}
		if err := applyFacts(f.facts, text, zone, in, batches); err != nil {
			return err
		}
	}
	var posted []commissary.Batch
	for _, b := range p.Batches {
		switch b.State {
		case commissary.BatchPlanned:
			in.Before = append(in.Before, b)
		default:
			posted = append(posted, b)
		}
	}
	stand, move := plan.Standing(posted, in.Outages)
	in.Posted, in.Before = stand, append(in.Before, move...)
	return nil
}

func applyFacts(name string, text []byte, zone *civil.Zone, in *plan.Input, batches map[string]*commissary.Batch) error {
	r := csv.NewReader(strings.NewReader(string(text)))
	r.FieldsPerRecord = 7
	refuse := &commissary.Error{Kind: commissary.Invalid, Reason: "FACTS_INVALID", Text: name + " cannot be used"}
	for first := true; ; first = false {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		line := 0
		var unread *csv.ParseError
		if errors.As(err, &unread) {
			line, err = unread.Line, unread.Err
		} else if err == nil {
			line, _ = r.FieldPos(0)
		}
		fault := func(format string, args ...any) {
			refuse.Faults = append(refuse.Faults, commissary.Fault{Where: fmt.Sprintf("%s:%d", name, line), Text: fmt.Sprintf(format, args...)})
		}
		if err != nil {
			fault("%v; every row has the columns %s", err, factColumns)
			break
		}
		if first {
			if strings.Join(row, ",") != factColumns {
				fault("the first row is %q; write %s", strings.Join(row, ","), factColumns)
				break
			}
			continue
		}
		from, err := instant(row[2], zone)
		if err != nil {
			fault("from: %v", err)
			continue
		}
		if row[0] == "outage" {
			o := commissary.Outage{Resource: row[1], From: from, Why: row[6]}
			if row[3] != "" {
				if o.To, err = instant(row[3], zone); err != nil {
					fault("to: %v", err)
					continue
				}
				if !o.To.After(from) {
					fault("the outage ends before it begins; leave \"to\" empty if it is not known")
					continue
				}
			}
			if !isResource(in.Book, row[1]) {
				fault("%q is no vessel and no bench of the book; write one of their ids, or cold for the cold store", row[1])
				continue
			}
			in.Outages = append(in.Outages, o)
			continue
		}
		b, ok := batches[row[1]]
		if !ok {
			fault("the plan in force has no batch %q", row[1])
			continue
		}
		switch row[0] {
		case "started":
			b.State = commissary.BatchMixing
		case "scrapped":
			b.State = commissary.BatchScrapped
		case "out":
			if err := came(in, b, row[4], row[5]); err != nil {
				fault("%v", err)
			}
		default:
			fault("%q is no fact; write started, out, scrapped or outage", row[0])
		}
	}
	if len(refuse.Faults) > 0 {
		return refuse
	}
	return nil
}

// came makes the lot of one item that came out of a batch; without an item all
// came out as planned.
func came(in *plan.Input, b *commissary.Batch, item, pieces string) error {
	b.State = commissary.BatchOut
	for i, m := range b.Makes {
		if item != "" && m.Item != item {
			continue
		}
		n := m.Pieces
		if pieces != "" {
			var err error
			if n, err = quantity.ParsePieces(pieces); err != nil {
				return err
			}
		}
		code := commissary.LotCode(b.ID, i+1)
		if slices.ContainsFunc(in.Lots, func(l commissary.Lot) bool { return l.Code == code }) {
			return fmt.Errorf("lot %s is on hand already; leave one of the two out", code)
		}
		in.Lots = append(in.Lots, commissary.Lot{Code: code, Item: m.Item, Formula: b.Formula, Pieces: n, Made: b.MixEnd, Place: "kitchen", Batch: b.ID})
		if item != "" {
			return nil
		}
	}
	if item != "" {
		return fmt.Errorf("batch %s makes no %q", b.ID, item)
	}
	return nil
}

func isResource(b commissary.Book, id string) bool {
	return id == "cold" || slices.ContainsFunc(b.Vessels, func(v commissary.Vessel) bool { return v.ID == id }) ||
		slices.ContainsFunc(b.Benches, func(x commissary.Bench) bool { return x.ID == id })
}
