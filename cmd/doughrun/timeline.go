package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/cmd/papers"
	"doughrun/commissary"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func timelineCommand() *cobra.Command {
	var file, svg, kitchen string
	cmd := &cobra.Command{
		Use:   "timeline",
		Short: "Show a plan over time: vessels, benches, people, cold store",
		Long: `Show a plan over time, day by day: what every vessel and bench holds, how many
people are at work, and how full the cold store gets.

With --plan it is the plan in that file, without a server; --kitchen then names
the file with the kitchen book, which tells how many people and places there
are. Otherwise it is a released plan of the night. --svg draws it too, a sheet
of A4 or Letter for each day.`,
		Args: cobra.NoArgs,
	}
	night := cmd.Flags().String("night", "", "the night, as 2026-11-26: the date of the evening whose trade just ended")
	revision := revisionFlag(cmd)
	cmd.Flags().StringVar(&file, "plan", "", "file with the plan as JSON, as \"plan rehearse\" and \"plan draft\" write it; - reads it from the standard input")
	cmd.Flags().StringVar(&kitchen, "kitchen", "", "with --plan the file with the kitchen book, otherwise the kitchen's id")
	svgFlag(cmd, &svg)
	cmd.RunE = act(func(j *job, _ []string) error {
		if (file == "") == (*night == "") {
			return &failure{exitUsage, errors.New("give either --night or --plan")}
		}
		var m *v1.Plan
		var b commissary.Book
		if file != "" {
			var err error
			if m, _, err = j.readPlan(file); err != nil {
				return err
			}
			if kitchen != "" {
				text, err := j.read(kitchen)
				if err != nil {
					return err
				}
				if b, err = wholeBook(kitchen, text); err != nil {
					return err
				}
			}
		} else {
			d, err := date("night", *night)
			if err != nil {
				return err
			}
			answer, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.GetPlan, &v1.GetPlanRequest{Name: wire.PlanName(j.settings.Kitchen, d, *revision)})
			if err != nil {
				return err
			}
			m = answer.GetPlan()
			if b, err = j.bookOf(m); err != nil {
				return err
			}
		}
		if err := j.drawTimeline(svg, m, b); err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Timeline(m, papers.Limits(b, m)), nil })
	})
	return cmd
}

func svgFlag(cmd *cobra.Command, svg *string) {
	cmd.Flags().StringVar(svg, "svg", "", "also draw the timeline to this file; for several days the date is put before its ending")
}

// drawTimeline writes the drawings of a plan, one file for each day.
func (j *job) drawTimeline(name string, m *v1.Plan, b commissary.Book) error {
	if name == "" {
		return nil
	}
	j.inUnits(m)
	pictures := sheet.TimelineSVG(m, papers.Limits(b, m))
	if len(pictures) == 0 {
		fmt.Fprintln(j.talk, "doughrun: nothing has to be made, so nothing was drawn")
	}
	for _, p := range pictures {
		to := name
		if ext := filepath.Ext(name); len(pictures) > 1 {
			to = strings.TrimSuffix(name, ext) + "-" + p.Date + ext
		}
		if err := papers.WriteFile(to, []byte(p.SVG)); err != nil {
			return err
		}
		fmt.Fprintln(j.talk, "doughrun: drew", to)
	}
	return nil
}

// bookOf returns the kitchen book that a plan was made with.
func (j *job) bookOf(m *v1.Plan) (commissary.Book, error) {
	answer, err := ask(j, v1.NewKitchenServiceClient, v1.KitchenServiceClient.GetBook,
		&v1.GetBookRequest{Name: wire.BookName(j.settings.Kitchen, int(m.GetBookRevision()))})
	if err != nil {
		return commissary.Book{}, err
	}
	return wholeBook("kitchen book", answer.GetSource())
}
