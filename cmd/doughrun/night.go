package main

import (
	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func nightCommand() *cobra.Command {
	return group("night", "Show, close and print the nights in which orders gather",
		showNightCommand(), listNightsCommand(), closeNightCommand(), printNightCommand())
}

func showNightCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Show a night: where it stands, who has ordered, who has to be called", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewNightServiceClient, v1.NightServiceClient.GetNight, &v1.GetNightRequest{Name: name})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.nightText(m.GetNight()) })
	})
	return cmd
}

func (j *job) nightText(n *v1.Night) (string, error) {
	c, err := j.catalogue()
	if err != nil {
		return "", err
	}
	orders, err := j.orders(n.GetName())
	return sheet.Night(n, c, orders), err
}

func listNightsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the nights, newest first",
		Args:  cobra.NoArgs,
		RunE: act(func(j *job, _ []string) error {
			m := &v1.ListNightsResponse{}
			var err error
			m.Nights, err = all(func(token string) ([]*v1.Night, string, error) {
				page, err := ask(j, v1.NewNightServiceClient, v1.NightServiceClient.ListNights,
					&v1.ListNightsRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), PageToken: token})
				return page.GetNights(), page.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			return j.show(m, func() (string, error) { return sheet.Nights(m.GetNights()), nil })
		}),
	}
}

func closeNightCommand() *cobra.Command {
	var req v1.CloseNightRequest
	cmd := &cobra.Command{Use: "close", Short: "End the taking of orders", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.Flags().BoolVar(&req.ValidateOnly, "validate-only", false, "refuse what would be refused, and keep nothing")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		var err error
		if req.Name, err = j.night(*night); err != nil {
			return err
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		m, err := ask(j, v1.NewNightServiceClient, v1.NightServiceClient.CloseNight, &req)
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.nightText(m.GetNight()) })
	})
	return cmd
}
