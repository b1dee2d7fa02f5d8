package main

import (
	"fmt"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"doughrun/cmd/papers"
	"doughrun/commissary/sheet"
)

func printNightCommand() *cobra.Command {
	var dir, paper string
	cmd := &cobra.Command{
		Use:   "print",
		Short: "Write a night's papers into a folder, so that it survives a dead network",
		Long: `Write a night's papers into a folder named after the night: the newest released
plan with its timeline, the sheets of its posted batches, container labels and,
where one is released, the newest dispatch with its pick lists and manifests.
Each comes as text, HTML and PDF, and as JSON and CSV for other programs. The
folder is whole or not there; one from before is replaced.`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&dir, "dir", "", "directory in which the night's folder is written")
	cmd.Flags().StringVar(&paper, "paper", "a4", "size of the paper in the printer: a4 or letter")
	required(cmd, "dir")
	cmd.RunE = act(func(j *job, _ []string) error {
		p := papers.Printer{Kitchen: j.settings.Kitchen, At: time.Now(), Units: j.inUnits,
			Talk: func(format string, args ...any) { fmt.Fprintf(j.talk, "doughrun: "+format+"\n", args...) }}
		switch paper {
		case "a4":
			p.Size = sheet.A4
		case "letter":
			p.Size = sheet.Letter
		default:
			return &failure{exitUsage, fmt.Errorf("--paper %q is unknown; write a4 or letter", paper)}
		}
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		conn, err := j.dial()
		if err != nil {
			return err
		}
		p.Conn = conn
		files, err := p.Night(j.ctx, d)
		if err != nil {
			return err
		}
		to := filepath.Join(dir, *night)
		if err := papers.Write(to, files); err != nil {
			return err
		}
		return j.write(fmt.Appendf(nil, "%s: %d files\n", to, len(files)))
	})
	return cmd
}
