package main

import (
	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func auditCommand() *cobra.Command {
	return group("audit", "Show who changed what, and prove that nobody changed it afterwards", showChangesCommand(), verifyChainCommand())
}

func showChangesCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "List changes, oldest first", Args: cobra.NoArgs}
	subject := cmd.Flags().String("subject", "", "only changes of this resource and what hangs under it, as kitchens/main/nights/2026-11-26")
	cmd.RunE = act(func(j *job, _ []string) error {
		m := &v1.ListChangesResponse{}
		var err error
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
		Short: "Compute the hash of every change again",
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
			if err != nil || m.GetBrokenSequence() == 0 {
				return err
			}
			return exceptions(1, "the record of changes is broken")
		}),
	}
}
