package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/user"
	"regexp"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/store"
	"doughrun/config"
	"doughrun/config/keys"
)

func callerCommand() *cobra.Command {
	return group("caller", "Say who may call the service, for which kitchen and as what", admitCallerCommand(), listCallersCommand(), renewCallerCommand(), revokeCallerCommand())
}

// A credential lives for 90 days unless it is said otherwise, a driver's for a
// day, and none for much longer than a year.
const (
	usualDays  = 90
	driverDays = 1
	mostDays   = 400
)

var idPattern = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

func refusedName(flag, s string) error {
	return commissary.Refuse(commissary.Invalid, "NAME_INVALID", "%s %q is no name here; write small letters, digits and dashes, as north-till", flag, s)
}

func daysFlag(cmd *cobra.Command) *int {
	return cmd.Flags().Int("days", usualDays, "how many days it is good")
}

func lifetime(days int) (time.Duration, error) {
	if days < 1 || days > mostDays {
		return 0, commissary.Refuse(commissary.Invalid, "DAYS_INVALID", "--days %d is not from 1 to %d; renew a credential rather than letting it live longer", days, mostDays)
	}
	return time.Duration(days) * 24 * time.Hour, nil
}

// office is the database as the operator of its machine works on it.
type office struct {
	facts *store.Store
	at    time.Time
	who   string
}

// officeCommand makes a command of a function that works on the database,
// beside a service that may be running.
func officeCommand(cmd *cobra.Command, f func(ctx context.Context, o office, kitchen string) error) *cobra.Command {
	config.AddFlags[config.Service](cmd.Flags())
	kitchen := cmd.Flags().String("kitchen", "main", "id of the kitchen")
	cmd.RunE = act(func(cmd *cobra.Command) error {
		settings, _, err := loadSettings(cmd)
		if err != nil {
			return err
		}
		if !idPattern.MatchString(*kitchen) {
			return refusedName("--kitchen", *kitchen)
		}
		facts, err := openFacts(cmd, settings.Database)
		if err != nil {
			return err
		}
		o := office{facts: facts, at: time.Now().UTC().Truncate(time.Second), who: "operator"}
		if u, err := user.Current(); err == nil {
			o.who += " " + u.Username
		}
		return errors.Join(f(cmd.Context(), o, *kitchen), facts.Close())
	})
	return cmd
}

// change keeps a change of who may call, and records it.
func (o office) change(ctx context.Context, kitchen, id, detail string, f func(commissary.Tx) error) error {
	return o.facts.Update(ctx, func(tx commissary.Tx) error {
		if err := f(tx); err != nil {
			return err
		}
		return tx.Changes(kitchen).Append(commissary.Change{At: o.at, Who: o.who, Call: "doughrund caller",
			Subject: "kitchens/" + kitchen + "/credentials/" + id, Detail: detail})
	})
}

// newID names a credential in lists.
func newID() string { return strings.ToLower(rand.Text()[:10]) }

func until(c commissary.Credential) string { return c.Ends.Format(time.RFC3339) }

func admitCallerCommand() *cobra.Command {
	var c commissary.Caller
	var role, shop, run, tokenFile, certificate string
	cmd := &cobra.Command{
		Use:   "admit",
		Short: "Let somebody call, with a fresh token or with a certificate",
		Long: `Let somebody call, with a fresh token or with a certificate that "cert client"
made. A token is written to a file for its owner alone and shown nowhere else;
the database keeps only its hash. It works at once, also while the service runs.`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().StringVar(&c.Name, "name", "", "who it is, as north-till: stands in the record of changes")
	cmd.Flags().StringVar(&role, "role", "", "what they do (shop, baker, driver, planner, owner)")
	cmd.Flags().StringVar(&shop, "shop", "", "the shop, of role shop")
	cmd.Flags().StringVar(&run, "run", "", "the run, of role driver")
	cmd.Flags().StringVar(&tokenFile, "token-file", "", "new file for the token")
	cmd.Flags().StringVar(&certificate, "certificate", "", "file with the caller's certificate, instead of a token")
	days := daysFlag(cmd)
	required(cmd, "name", "role")
	cmd.MarkFlagsOneRequired("token-file", "certificate")
	cmd.MarkFlagsMutuallyExclusive("token-file", "certificate")
	return officeCommand(cmd, func(ctx context.Context, o office, kitchen string) error {
		c.Kitchen, c.Role, c.Scope = kitchen, commissary.Role(role), shop+run
		if err := checkCaller(c, shop, run); err != nil {
			return err
		}
		if err := o.inBook(ctx, c); err != nil {
			return err
		}
		if c.Role == commissary.RoleDriver && !cmd.Flags().Changed("days") {
			*days = driverDays
		}
		lives, err := lifetime(*days)
		if err != nil {
			return err
		}
		n := commissary.Credential{ID: newID(), Caller: c, Issued: o.at, Ends: o.at.Add(lives)}
		if certificate == "" {
			return o.issue(ctx, cmd, n, tokenFile, "")
		}
		shown, err := keys.ReadCertificate(certificate)
		if err != nil {
			return err
		}
		n.Hash = keys.HashCertificate(shown)
		if shown.NotAfter.Before(n.Ends) {
			n.Ends = shown.NotAfter
		}
		err = o.change(ctx, kitchen, n.ID, fmt.Sprintf("%s admitted as %s by a certificate until %s", c.Name, title(c), until(n)),
			func(tx commissary.Tx) error { return tx.Credentials().Add(n) })
		if err == nil {
			fmt.Fprintf(cmd.OutOrStdout(), "%s  %s of kitchen %s, until %s\n", n.ID, title(c), kitchen, until(n))
		}
		return err
	})
}

func checkCaller(c commissary.Caller, shop, run string) error {
	if !idPattern.MatchString(c.Name) {
		return refusedName("--name", c.Name)
	}
	invalid := func(format string, args ...any) error {
		return commissary.Refuse(commissary.Invalid, "ROLE_INVALID", format, args...)
	}
	switch {
	case !slices.Contains(commissary.Roles(), c.Role):
		return invalid("--role %q is unknown; write shop, baker, driver, planner or owner", c.Role)
	case (c.Role == commissary.RoleShop) != (shop != ""):
		return invalid("--shop goes with --role shop, and must be there: a shop's credential is for that shop alone")
	case (c.Role == commissary.RoleDriver) != (run != ""):
		return invalid("--run goes with --role driver, and must be there: a driver's credential is for that run alone")
	}
	return nil
}

// title says what a caller is, in words.
func title(c commissary.Caller) string {
	switch c.Role {
	case commissary.RoleShop:
		return "shop " + c.Scope
	case commissary.RoleDriver:
		return "driver of run " + c.Scope
	}
	return string(c.Role)
}

// inBook refuses a shop or run that the kitchen's book does not have. Before
// the first book is adopted every name is taken.
func (o office) inBook(ctx context.Context, c commissary.Caller) error {
	var r commissary.BookRevision
	err := o.facts.View(ctx, func(tx commissary.Tx) (err error) {
		r, err = tx.Books(c.Kitchen).Newest()
		return err
	})
	if commissary.KindOf(err) == commissary.NotFound {
		return nil
	}
	if err != nil {
		return err
	}
	b, err := book.Read("book", r.Source)
	if err != nil {
		return err
	}
	known := c.Scope == "" ||
		c.Role == commissary.RoleShop && slices.ContainsFunc(b.Shops, func(s commissary.Shop) bool { return s.ID == c.Scope }) ||
		c.Role == commissary.RoleDriver && slices.ContainsFunc(b.Runs, func(r commissary.Run) bool { return r.ID == c.Scope })
	if !known {
		return commissary.Refuse(commissary.Invalid, "ROLE_INVALID", "the book of kitchen %s has no %s; check the id", c.Kitchen, title(c))
	}
	return nil
}

// issue keeps a credential for a fresh token, and the token in a file.
func (o office) issue(ctx context.Context, cmd *cobra.Command, n commissary.Credential, file, instead string) error {
	token := keys.NewToken()
	n.Hash = keys.HashToken(token)
	if err := keys.WriteSecret(file, []byte(token+"\n")); err != nil {
		return err
	}
	err := o.change(ctx, n.Caller.Kitchen, n.ID, fmt.Sprintf("%s admitted as %s by a token until %s%s", n.Caller.Name, title(n.Caller), until(n), instead),
		func(tx commissary.Tx) error { return tx.Credentials().Add(n) })
	if err != nil {
		return errors.Join(err, os.Remove(file)) // it opens nothing
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%s  %s of kitchen %s, until %s; the token is in %s (secret: for its owner alone)\n", n.ID, title(n.Caller), n.Caller.Kitchen, until(n), file)
	return nil
}

func listCallersCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List the credentials of a kitchen, oldest first", Args: cobra.NoArgs}
	output := cmd.Flags().String("output", "text", "how to show them (text, json)")
	return officeCommand(cmd, func(ctx context.Context, o office, kitchen string) error {
		var all []commissary.Credential
		err := o.facts.View(ctx, func(tx commissary.Tx) (err error) {
			all, err = tx.Credentials().List(kitchen)
			return err
		})
		if err != nil {
			return err
		}
		type row struct {
			ID     string    `json:"id"`
			Name   string    `json:"name"`
			Role   string    `json:"role"`
			Scope  string    `json:"scope,omitempty"`
			Issued time.Time `json:"issued"`
			Ends   time.Time `json:"ends"`
			Good   bool      `json:"good"`
		}
		rows := []row{}
		for _, c := range all {
			rows = append(rows, row{c.ID, c.Caller.Name, string(c.Caller.Role), c.Caller.Scope, c.Issued, c.Ends, o.at.Before(c.Ends)})
		}
		switch *output {
		case "json":
			return json.NewEncoder(cmd.OutOrStdout()).Encode(rows)
		case "text":
		default:
			return &failure{exitUsage, fmt.Errorf("--output %q is unknown; write text or json", *output)}
		}
		table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "ID\tNAME\tROLE\tISSUED\tENDS\t")
		for i, r := range rows {
			state := ""
			if !r.Good {
				state = "ended"
			}
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, r.Name, title(all[i].Caller), r.Issued.Format(time.DateTime), r.Ends.Format(time.DateTime), state)
		}
		return table.Flush()
	})
}

func renewCallerCommand() *cobra.Command {
	var file string
	var overlap time.Duration
	cmd := &cobra.Command{
		Use:   "renew",
		Short: "Give a caller a fresh token; the old credential goes on for a while",
		Args:  cobra.NoArgs,
	}
	id := cmd.Flags().String("id", "", "id of the credential, as list shows it")
	cmd.Flags().StringVar(&file, "token-file", "", "new file for the token")
	cmd.Flags().DurationVar(&overlap, "overlap", 24*time.Hour, "how long the old one goes on, so that nobody stands before a closed door")
	days := daysFlag(cmd)
	required(cmd, "id", "token-file")
	return officeCommand(cmd, func(ctx context.Context, o office, kitchen string) error {
		lives, err := lifetime(*days)
		if err != nil {
			return err
		}
		if overlap < 0 || overlap > 30*24*time.Hour {
			return commissary.Refuse(commissary.Invalid, "OVERLAP_INVALID", "--overlap %v is not from 0 to 30 days (720h)", overlap)
		}
		old, err := o.credential(ctx, kitchen, *id)
		if err != nil {
			return err
		}
		n := commissary.Credential{ID: newID(), Caller: old.Caller, Issued: o.at, Ends: o.at.Add(lives)}
		if err := o.issue(ctx, cmd, n, file, ", instead of "+old.ID); err != nil {
			return err
		}
		return o.end(ctx, kitchen, old, o.at.Add(overlap), "replaced by "+n.ID)
	})
}

func revokeCallerCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "revoke", Short: "End a credential; a running service knows within seconds", Args: cobra.NoArgs}
	id := cmd.Flags().String("id", "", "id of the credential, as list shows it")
	required(cmd, "id")
	return officeCommand(cmd, func(ctx context.Context, o office, kitchen string) error {
		old, err := o.credential(ctx, kitchen, *id)
		if err != nil {
			return err
		}
		if err := o.end(ctx, kitchen, old, o.at, "revoked"); err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "%s  %s, %s of kitchen %s, is revoked\n", old.ID, old.Caller.Name, title(old.Caller), kitchen)
		return nil
	})
}

func (o office) credential(ctx context.Context, kitchen, id string) (c commissary.Credential, err error) {
	err = o.facts.View(ctx, func(tx commissary.Tx) (err error) {
		c, err = tx.Credentials().Get(kitchen, id)
		return err
	})
	return c, err
}

func (o office) end(ctx context.Context, kitchen string, c commissary.Credential, at time.Time, why string) error {
	return o.change(ctx, kitchen, c.ID, fmt.Sprintf("%s, %s: ends %s", c.Caller.Name, why, at.Format(time.RFC3339)),
		func(tx commissary.Tx) error { return tx.Credentials().End(kitchen, c.ID, at) })
}
