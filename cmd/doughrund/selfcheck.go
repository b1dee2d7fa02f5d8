package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"syscall"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/store"
	"doughrun/config"
)

func selfcheckCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "selfcheck",
		Short: "Look whether everything that the service stands on is well",
		Long: `Look whether everything that the service stands on is well: settings,
certificates, database, record of changes, clock, time zones and disk. It changes
nothing and may run beside the service. It ends with 3 when something is not well.`,
		Args: cobra.NoArgs,
	}
	output := cmd.Flags().String("output", "text", "how to show it (text, json)")
	return databaseCommand(cmd, true, func(cmd *cobra.Command, facts *store.Store, _ []string) error {
		settings, _, err := loadSettings(cmd)
		if err != nil {
			return err
		}
		all, err := examine(cmd, settings, facts, time.Now().UTC())
		if err != nil {
			return err
		}
		bad := 0
		for _, f := range all {
			if !f.Well {
				bad++
			}
		}
		switch *output {
		case "json":
			err = json.NewEncoder(cmd.OutOrStdout()).Encode(all)
		case "text":
			table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			for _, f := range all {
				fmt.Fprintf(table, "%s\t%s\t%s\n", map[bool]string{true: "well", false: "NOT WELL"}[f.Well], f.What, f.Text)
			}
			err = table.Flush()
		default:
			return &failure{exitUsage, fmt.Errorf("--output %q is unknown; write text or json", *output)}
		}
		if err == nil && bad > 0 {
			err = commissary.Refuse(commissary.Precondition, "NOT_WELL", "%d of %d things are not well; see the list", bad, len(all))
		}
		return err
	})
}

// leastFree is how much of a disk must be free, in bytes: a busy kitchen's
// facts of months, and room for a backup beside them.
const leastFree = 1 << 30

func examine(cmd *cobra.Command, s config.Service, facts *store.Store, now time.Time) ([]store.Finding, error) {
	protection := store.Finding{What: "access", Well: true, Text: "everybody on this machine may do everything; nobody else reaches the service"}
	switch tls, err := protect(s, now); {
	case err != nil:
		protection.Well, protection.Text = false, err.Error()
	case tls != nil:
		protection.Text = "callers must prove who they are; the certificate is good today"
	}
	all, err := facts.Examine(cmd.Context(), now)
	if err != nil {
		return nil, err
	}
	zones, err := zonesOf(cmd, facts, now)
	if err != nil {
		return nil, err
	}
	all = append(append([]store.Finding{protection}, all...), zones...)
	if !store.IsPostgres(s.Database) {
		var disk syscall.Statfs_t
		if err := syscall.Statfs(filepath.Dir(s.Database), &disk); err != nil {
			return nil, err
		}
		free := disk.Bavail * uint64(disk.Bsize)
		f := store.Finding{What: "disk", Well: free >= leastFree, Text: fmt.Sprintf("%d MiB are free", free>>20)}
		if !f.Well {
			f.Text += fmt.Sprintf(", and %d should be; make room before the service stops for want of it", leastFree>>20)
		}
		all = append(all, f)
	}
	return all, nil
}

// zonesOf shows every kitchen's time now, so that somebody can look at a clock.
func zonesOf(cmd *cobra.Command, facts *store.Store, now time.Time) (all []store.Finding, err error) {
	err = facts.View(cmd.Context(), func(tx commissary.Tx) error {
		all = nil
		ids, err := tx.Kitchens()
		if err != nil {
			return err
		}
		for _, id := range ids {
			r, err := tx.Books(id).Newest()
			if err != nil {
				return err
			}
			f := store.Finding{What: "kitchen " + id}
			if b, err := book.Read("book", r.Source); err != nil {
				f.Text = fmt.Sprintf("its book, revision %d, cannot be read by this program: %v", r.Revision, err)
			} else if zone, err := civil.LoadZone(b.Kitchen.Zone); err != nil {
				f.Text = err.Error()
			} else {
				f.Well, f.Text = true, "it is "+zone.Long(now)+" there"
			}
			all = append(all, f)
		}
		return nil
	})
	return all, err
}
