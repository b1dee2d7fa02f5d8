package main

import (
	"encoding/json"
	"fmt"
	"os"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"doughrun/config"
)

func configCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "config",
		Short: "Show the settings in force and where each value came from",
		Args:  cobra.NoArgs,
	}
	config.AddFlags[config.Service](cmd.Flags())
	output := cmd.Flags().String("output", "text", "how to show them (text, json)")
	cmd.RunE = act(func(cmd *cobra.Command) error {
		_, list, err := loadSettings(cmd)
		if err != nil {
			return err
		}
		switch *output {
		case "json":
			return json.NewEncoder(cmd.OutOrStdout()).Encode(list)
		case "text":
		default:
			return &failure{exitUsage, fmt.Errorf("--output %q is unknown; write text or json", *output)}
		}
		table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
		fmt.Fprintln(table, "SETTING\tVALUE\tFROM\tMEANING")
		for _, s := range list {
			fmt.Fprintf(table, "%s\t%s\t%s\t%s\n", s.Key, s.Value, s.From, s.Doc)
		}
		return table.Flush()
	})
	return cmd
}

func loadSettings(cmd *cobra.Command) (config.Service, []config.Setting, error) {
	settings, list, err := config.Load[config.Service](cmd.Flags(), os.Environ())
	if err != nil {
		return settings, nil, &failure{exitUsage, err}
	}
	return settings, list, nil
}
