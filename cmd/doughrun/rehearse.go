package main

import (
	"fmt"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// files is a night in files.
type files struct {
	kitchen, orders, lots string
	forecast              string
	night, at             string
	plan, facts           string // the plan in force, and what happened since
	seed                  uint64
	steps                 int64
}

func (f *files) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.kitchen, "kitchen", "", "file with the kitchen book")
	cmd.Flags().StringVar(&f.orders, "orders", "", "CSV file with the night's orders: shop,item,quantity,bake_date")
	cmd.Flags().StringVar(&f.lots, "lots", "", "CSV file with the lots on hand: code,item,formula,quantity,made,held")
	cmd.Flags().StringVar(&f.forecast, "forecast", "", "CSV file with what shops are expected to sell where nobody ordered: shop,item,bake_date,quantity")
	cmd.Flags().StringVar(&f.night, "night", "", "the night, as 2026-11-26: the date of the evening whose trade just ended")
	cmd.Flags().StringVar(&f.plan, "in-force", "", "file with the released plan as JSON: what has begun stands, the rest moves as little as it can")
	cmd.Flags().StringVar(&f.facts, "facts", "", "CSV file with what happened since: "+factColumns)
	cmd.Flags().StringVar(&f.at, "at", "", "planning instant, as \"2026-11-27 02:05\" on the kitchen's clock or with an offset as RFC 3339 has it")
}

// input is the one way from files to what a plan is made from.
func (f *files) input(j *job) (plan.Input, error) {
	text, err := j.read(f.kitchen)
	if err != nil {
		return plan.Input{}, err
	}
	in := plan.Input{Seed: f.seed, Steps: f.steps}
	if in.Book, err = wholeBook(f.kitchen, text); err != nil {
		return in, err
	}
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		return in, err
	}
	if in.Night, err = date("night", f.night); err != nil {
		return in, err
	}
	if in.At, err = instant(f.at, zone); err != nil {
		return in, badFlag("at", err)
	}
	if text, err = j.read(f.orders); err != nil {
		return in, err
	}
	if in.Orders, err = book.ReadOrders(f.orders, text, in.Book, in.Night); err != nil {
		return in, err
	}
	if f.lots != "" {
		if text, err = j.read(f.lots); err != nil {
			return in, err
		}
		if in.Lots, err = book.ReadLots(f.lots, text, in.Book); err != nil {
			return in, err
		}
	}
	if f.forecast != "" {
		if text, err = j.read(f.forecast); err != nil {
			return in, err
		}
		if in.Forecast, err = book.ReadForecast(f.forecast, text, in.Book); err != nil {
			return in, err
		}
	}
	return in, f.inForce(j, &in)
}

func rehearseCommand() *cobra.Command {
	var f files
	var svg string
	cmd := &cobra.Command{
		Use:   "rehearse",
		Short: "Plan a night from files, without a server",
		Args:  cobra.NoArgs,
	}
	f.flags(cmd)
	searchFlags(cmd, &f.seed, &f.steps)
	svgFlag(cmd, &svg)
	required(cmd, "kitchen", "orders", "night", "at")
	cmd.RunE = act(func(j *job, _ []string) error {
		in, err := f.input(j)
		if err != nil {
			return err
		}
		p, err := plan.Make(in)
		if err != nil {
			return err
		}
		p = plan.Explain(in, p)
		m := wire.For(in.Book).Plan(p)
		if err := j.drawTimeline(svg, m, in.Book); err != nil {
			return err
		}
		answer := &v1.DraftPlanResponse{Plan: m}
		if f.plan != "" {
			if answer.Changes, err = plan.Changes(in.Book, in.Before, p.Batches); err != nil {
				return err
			}
			j.sayChanges(answer)
		}
		return j.showPlan(answer)
	})
	return cmd
}

func checkPlanCommand() *cobra.Command {
	var f files
	var name string
	cmd := &cobra.Command{
		Use:   "check",
		Short: "Judge any plan: from files when orders are given, otherwise by the service",
		Long: `Judge any plan, drafted or moved by hand.

With --orders it is judged from files, without a server: --kitchen is the file
with the kitchen book, and night and instant are the plan's own unless given.
Otherwise the service judges it, and --kitchen is the kitchen's id.`,
		Args: cobra.NoArgs,
	}
	f.flags(cmd)
	cmd.Flags().Lookup("kitchen").Usage = "with --orders the file with the kitchen book, otherwise the kitchen's id"
	cmd.Flags().StringVar(&name, "plan", "", "file with the plan as JSON, as \"plan rehearse\" and \"plan draft\" write it; - reads it from the standard input")
	required(cmd, "plan")
	cmd.RunE = act(func(j *job, _ []string) error {
		if f.orders != "" && f.kitchen == "" {
			return &failure{exitUsage, fmt.Errorf("--orders without --kitchen; name the file with the kitchen book")}
		}
		m, p, err := j.readPlan(name)
		if err != nil {
			return err
		}
		if f.night == "" {
			f.night = p.Night.String()
		}
		if f.orders == "" {
			return j.checkPlan(f.night, m)
		}
		if f.at == "" {
			f.at = p.At.Format(time.RFC3339)
		}
		f.seed, f.steps = p.Seed, p.Steps
		in, err := f.input(j)
		if err != nil {
			return err
		}
		return j.showReasons(&v1.CheckPlanResponse{Reasons: wire.Reasons(plan.Check(in, p))}, "plan", func() (*v1.Catalogue, error) {
			c := wire.For(in.Book).Catalogue()
			j.inUnits(c)
			return c, nil
		})
	})
	return cmd
}

// showPlan writes a plan and ends with its exceptions.
func (j *job) showPlan(m messageWithPlan) error {
	err := j.show(m, func() (string, error) { return sheet.Plan(m.GetPlan()), nil })
	if err != nil {
		return err
	}
	return exceptions(len(m.GetPlan().GetExceptions()), "planned, with exceptions")
}

// showReasons writes what a check found and ends with it.
func (j *job) showReasons(m messageWithReasons, what string, catalogue func() (*v1.Catalogue, error)) error {
	err := j.show(m, func() (string, error) {
		c, err := catalogue()
		return sheet.Reasons(c, what, m.GetReasons()), err
	})
	if err != nil {
		return err
	}
	return exceptions(len(m.GetReasons()), "the "+what+" breaks limits")
}

// readPlan reads a plan from JSON: the plan itself, or an answer that holds one.
func (j *job) readPlan(name string) (*v1.Plan, commissary.Plan, error) {
	m, err := readMessage(j, name, "plan", &v1.Plan{}, &v1.DraftPlanResponse{}, (*v1.DraftPlanResponse).GetPlan)
	if err != nil {
		return nil, commissary.Plan{}, err
	}
	p, err := wire.ReadPlan(m)
	return m, p, err
}

// readMessage reads a message from JSON, alone or inside an answer, and holds
// it against the contract's field rules as the service would.
func readMessage[M, A protoMessage](j *job, name, what string, alone M, answer A, inner func(A) M) (M, error) {
	text, err := j.read(name)
	if err != nil {
		return alone, err
	}
	refuse := func(err error) error {
		// protojson varies its blanks on purpose.
		said := strings.ReplaceAll(strings.TrimPrefix(err.Error(), "proto:"), "\u00a0", " ")
		return commissary.Refuse(commissary.Invalid, "MESSAGE_INVALID", "%s is not a %s as JSON: %s; write one with --output json", name, what, strings.TrimSpace(said))
	}
	m := alone
	if err := protojson.Unmarshal(text, answer); err == nil && inner(answer).ProtoReflect().IsValid() {
		m = inner(answer)
	} else if err := protojson.Unmarshal(text, alone); err != nil {
		return alone, refuse(err)
	}
	if err := protovalidate.Validate(m); err != nil {
		return m, refuse(err)
	}
	return m, nil
}
