package main

import (
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"doughrun/config/keys"
)

func certCommand() *cobra.Command {
	return group("cert", "Make the keys and certificates of a small site", authorityCommand(), serverCertCommand(), clientCertCommand())
}

// authorityFile is the base name of the authority's files.
const authorityFile = "authority"

func dirFlag(cmd *cobra.Command) *string {
	return cmd.Flags().String("dir", ".", "folder that holds the authority's files, and where the new ones go")
}

func authorityCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "authority",
		Short: "Make the site's own authority, once",
		Long: `Make the site's own authority, once: authority.crt goes to everybody who calls,
authority.key signs the other certificates. Whoever has that key can pass for
the service: keep it off the service's machine once the certificates are made.`,
		Args: cobra.NoArgs,
	}
	site := cmd.Flags().String("site", "", "name of the site, for people to read")
	required(cmd, "site")
	dir := dirFlag(cmd)
	cmd.RunE = act(func(cmd *cobra.Command) error {
		p, err := keys.NewAuthority(*site, time.Now())
		return keep(cmd, p, filepath.Join(*dir, authorityFile), err)
	})
	return cmd
}

func serverCertCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "server", Short: "Make the certificate that the service shows", Args: cobra.NoArgs}
	hosts := cmd.Flags().StringSlice("host", nil, "name or address that the service is reached under; several times for several")
	required(cmd, "host")
	dir := dirFlag(cmd)
	cmd.RunE = act(func(cmd *cobra.Command) error {
		authority, err := keys.ReadPair(filepath.Join(*dir, authorityFile))
		if err != nil {
			return err
		}
		p, err := authority.NewServer(*hosts, time.Now())
		return keep(cmd, p, filepath.Join(*dir, "server"), err)
	})
	return cmd
}

func clientCertCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "client",
		Short: "Make the certificate that a caller shows instead of a token",
		Long: `Make the certificate that a caller shows instead of a token. It opens nothing
until it is admitted: doughrund caller admit --certificate FILE.`,
		Args: cobra.NoArgs,
	}
	name := cmd.Flags().String("name", "", "name of the caller, as north-till")
	days := daysFlag(cmd)
	required(cmd, "name")
	dir := dirFlag(cmd)
	cmd.RunE = act(func(cmd *cobra.Command) error {
		if !idPattern.MatchString(*name) {
			return refusedName("--name", *name)
		}
		lives, err := lifetime(*days)
		if err != nil {
			return err
		}
		authority, err := keys.ReadPair(filepath.Join(*dir, authorityFile))
		if err != nil {
			return err
		}
		p, err := authority.NewClient(*name, lives, time.Now())
		return keep(cmd, p, filepath.Join(*dir, *name), err)
	})
	return cmd
}

// keep writes a new pair beside the authority.
func keep(cmd *cobra.Command, p keys.Pair, base string, err error) error {
	if err != nil {
		return err
	}
	certificate, key, err := p.Write(base)
	if err != nil {
		return err
	}
	fmt.Fprintf(cmd.OutOrStdout(), "%s\n%s (secret: for its owner alone)\n", certificate, key)
	return nil
}
