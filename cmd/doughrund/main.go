// Doughrund is the service.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"doughrun/cmd/manual"
	"doughrun/cmd/version"
	"doughrun/commissary"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// A second signal ends the process at once.
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// What the process ends with.
const (
	exitDone        = 0
	exitUnexpected  = 1
	exitUsage       = 2
	exitRefused     = 3
	exitNotAllowed  = 4
	exitUnavailable = 5 // try again later
)

// run carries out one command and returns what the process ends with.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := &cobra.Command{
		Use:           "doughrund",
		Short:         "Plans a central kitchen's nights for several pizza shops",
		Version:       version.Get().String(),
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.AddCommand(serveCommand(), configCommand(), demoCommand(), certCommand(), callerCommand(),
		backupCommand(), restoreCommand(), migrateCommand(), selfcheckCommand(), manual.Command())
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	fmt.Fprintln(stderr, "doughrund:", err)
	var f *failure
	if !errors.As(err, &f) {
		fmt.Fprintln(stderr, "doughrund: see doughrund --help")
		return exitUsage
	}
	return f.code
}

// failure is an error of a command that was asked for properly.
type failure struct {
	code int
	error
}

func (f *failure) Unwrap() error { return f.error }

// group is a noun with its verbs.
func group(use, short string, verbs ...*cobra.Command) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Args: cobra.NoArgs, RunE: func(*cobra.Command, []string) error {
		return fmt.Errorf("%s needs a verb", use)
	}}
	cmd.AddCommand(verbs...)
	return cmd
}

// required marks flags that a command cannot do without.
func required(cmd *cobra.Command, flags ...string) {
	for _, f := range flags {
		if err := cmd.MarkFlagRequired(f); err != nil {
			panic(err) // the flag was never added
		}
	}
}

// act makes a command of a function; its errors are not errors of usage.
func act(f func(cmd *cobra.Command) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, _ []string) error {
		err := f(cmd)
		var already *failure
		if err == nil || errors.As(err, &already) {
			return err
		}
		return &failure{exitOf(err), err}
	}
}

func exitOf(err error) int {
	switch commissary.KindOf(err) {
	case commissary.Internal:
		return exitUnexpected
	case commissary.Denied, commissary.Unproven:
		return exitNotAllowed
	case commissary.Unavailable:
		return exitUnavailable
	default:
		return exitRefused
	}
}
