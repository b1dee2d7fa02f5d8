package main

import (
	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func compareOrderCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "order",
		Short: "Lay a driver's own order of stops beside the manifest's: minutes, road, and who gets it too late",
		Args:  cobra.NoArgs,
	}
	night := nightFlag(cmd)
	run := cmd.Flags().String("run", "", "the run")
	shops := cmd.Flags().StringSlice("stops", nil, "the shops' ids in the order they would be driven to, with commas between")
	required(cmd, "run", "stops")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.CompareOrder,
			&v1.CompareOrderRequest{Manifest: wire.ManifestName(j.settings.Kitchen, d, *run), ShopIds: *shops})
		if err != nil {
			return err
		}
		if err := j.show(m, func() (string, error) { return sheet.DrivenOrders(m), nil }); err != nil {
			return err
		}
		late := 0
		for _, s := range m.GetAsked().GetStops() {
			if s.GetLateSeconds() > 0 {
				late++
			}
		}
		if m.GetAsked().GetOvertimeSeconds() > 0 {
			late++
		}
		return exceptions(late, "the order asked about is too late somewhere")
	})
	return cmd
}
