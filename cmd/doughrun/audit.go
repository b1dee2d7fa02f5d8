package main

import (
	"errors"

	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func auditCommand() *cobra.Command {
	return group("audit", "Show who changed what, and prove that nobody changed it afterwards", showChangesCommand(), verifyChainCommand())
}

func showChangesCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show",
		Short: "List who changed what, oldest first",
		Long: `List who changed what, oldest first. Who changed my order: with --night and
--shop, which a shop may ask for its own.`,
		Args: cobra.NoArgs,
	}
	subject := cmd.Flags().String("subject", "", "only changes of this resource and what hangs under it, as kitchens/main/nights/2026-11-26")
	night := cmd.Flags().String("night", "", "only changes of this night, as 2026-11-26")
	shop := cmd.Flags().String("shop", "", "only changes of this shop's order of the night")
	cmd.MarkFlagsMutuallyExclusive("subject", "night")
	cmd.MarkFlagsMutuallyExclusive("subject", "shop")
	cmd.RunE = act(func(j *job, _ []string) error {
		m := &v1.ListChangesResponse{}
		if *shop != "" && *night == "" {
			return &failure{exitUsage, errors.New("--shop needs --night: whose order of which night")}
		}
		var err error
		if *night != "" {
			if *subject, err = j.night(*night); err != nil {
				return err
			}
			if *shop != "" {
				*subject += "/orders/" + *shop
			}
		}
		m.Changes, err = all(func(token string) ([]*v1.Change, string, error) {
			page, err := ask(j, v1.NewAuditServiceClient, v1.AuditServiceClient.ListChanges,
				&v1.ListChangesRequest{Kitchen: wire.KitchenName(j.settings.Kitchen), PageToken: token, Subject: *subject})
			return page.GetChanges(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			return sheet.Changes(c.GetSite(), m.GetChanges()), err
		})
	})
	return cmd
}

func verifyChainCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "verify",
		Short: "Compute the hash of every change again, and the facts from the changes",
		Args:  cobra.NoArgs,
		RunE: act(func(j *job, _ []string) error {
			m, err := ask(j, v1.NewAuditServiceClient, v1.AuditServiceClient.VerifyChain, &v1.VerifyChainRequest{Kitchen: wire.KitchenName(j.settings.Kitchen)})
			if err != nil {
				return err
			}
			err = j.show(m, func() (string, error) {
				c, err := j.catalogue()
				return sheet.Chain(c.GetSite(), m), err
			})
			switch {
			case err != nil:
			case m.GetBrokenSequence() != 0:
				err = exceptions(1, "the record of changes is broken")
			case len(m.GetAlteredFacts()) > 0:
				err = exceptions(len(m.GetAlteredFacts()), "facts are not as the record of changes has them")
			}
			return err
		}),
	}
}
