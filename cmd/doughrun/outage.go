package main

import (
	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func outageCommand() *cobra.Command {
	return group("outage", "Report what does not work, and that it works again", reportOutageCommand(), endOutageCommand(), listOutagesCommand())
}

func reportOutageCommand() *cobra.Command {
	var req v1.ReportOutageRequest
	cmd := &cobra.Command{
		Use:   "report RESOURCE",
		Short: "Report that a vessel, a bench or the cold store does not work",
		Long: `Report that a vessel, a bench or the cold store ("cold") does not work.

The next "plan draft" plans without it: what has begun stands, the rest moves as
little as it can, and the draft says what is otherwise than before.`,
		Args: cobra.ExactArgs(1),
	}
	from := cmd.Flags().String("from", "", "from when on, as \"2026-11-27 05:40\" on the kitchen's clock; now when left out")
	to := cmd.Flags().String("to", "", "until when; until further notice when left out")
	cmd.Flags().StringVar(&req.Reason, "reason", "", "why, in words")
	id := writeFlags(cmd)
	required(cmd, "reason")
	cmd.RunE = act(func(j *job, args []string) error {
		var err error
		req.Kitchen, req.ResourceId = wire.KitchenName(j.settings.Kitchen), args[0]
		if req.StartTime, err = j.clockTime("from", *from); err != nil {
			return err
		}
		if req.EndTime, err = j.clockTime("to", *to); err != nil {
			return err
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.ReportOutage, &req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.outagesText(m.GetOutage()) })
	})
	return cmd
}

func endOutageCommand() *cobra.Command {
	var req v1.EndOutageRequest
	cmd := &cobra.Command{Use: "end NUMBER", Short: "Say that it works again", Args: cobra.ExactArgs(1)}
	at := cmd.Flags().String("at", "", "from when on it works, as \"2026-11-27 05:40\" on the kitchen's clock; now when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		var err error
		req.Name = wire.KitchenName(j.settings.Kitchen) + "/outages/" + args[0]
		if req.EndTime, err = j.clockTime("at", *at); err != nil {
			return err
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.EndOutage, &req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.outagesText(m.GetOutage()) })
	})
	return cmd
}

func listOutagesCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List what was reported, newest first", Args: cobra.NoArgs}
	cmd.RunE = act(func(j *job, _ []string) error {
		m := &v1.ListOutagesResponse{}
		var err error
		m.Outages, err = all(func(token string) ([]*v1.Outage, string, error) {
			page, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.ListOutages, &v1.ListOutagesRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), PageToken: token})
			m.Site = page.GetSite()
			return page.GetOutages(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Outages(m.GetSite(), m.GetOutages()), nil })
	})
	return cmd
}

func (j *job) outagesText(list ...*v1.Outage) (string, error) {
	c, err := j.catalogue()
	return sheet.Outages(c.GetSite(), list), err
}
