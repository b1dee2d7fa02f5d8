// Doughrun is what people type: it asks the service, or computes from files.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/cmd/manual"
	"doughrun/cmd/version"
	"doughrun/commissary"
	"doughrun/config"
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
	exitUnavailable = 5  // try again
	exitExceptions  = 10 // done, but look
)

// run carries out one command and returns what the process ends with.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := &cobra.Command{
		Use:   "doughrun",
		Short: "Orders, batch plans, pick lists and manifests of a central kitchen",
		Long: `Orders, batch plans, pick lists and manifests of a central kitchen.

It ends with 0 when all is done, 1 on something unexpected, 2 when the command
line is wrong, 3 when the input or the request is refused, 4 when the caller
may not, 5 when there is no answer (try again), and 10 when it is done with
exceptions that somebody should look at.`,
		Version:       version.Get().String(),
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	config.AddFlags[config.Client](root.PersistentFlags())
	root.PersistentFlags().String("output", "text", "how the result is written (text, json)")
	root.AddCommand(kitchenCommand(), orderCommand(), countCommand(), nightCommand(), planCommand(), outageCommand(), batchCommand(), lotCommand(),
		dispatchCommand(), pickCommand(), manifestCommand(), stopCommand(), auditCommand(), formulaCommand(), manual.Command())
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	fmt.Fprintln(stderr, "doughrun:", explain(err))
	var f *failure
	if !errors.As(err, &f) {
		fmt.Fprintln(stderr, "doughrun: see doughrun --help")
		return exitUsage
	}
	return f.code
}

// failure is the end of a command that was asked for properly.
type failure struct {
	code int
	error
}

func (f *failure) Unwrap() error { return f.error }

// exitOf is the one table from errors to exit codes.
func exitOf(err error) int {
	var refused *commissary.Error
	if errors.As(err, &refused) {
		switch refused.Kind {
		case commissary.Internal:
			return exitUnexpected
		case commissary.Denied, commissary.Unproven:
			return exitNotAllowed
		case commissary.Unavailable:
			return exitUnavailable
		}
		return exitRefused
	}
	s, ok := status.FromError(err)
	if !ok {
		return exitUnexpected
	}
	for _, d := range s.Details() {
		if _, later := d.(*errdetails.RetryInfo); later {
			return exitUnavailable
		}
	}
	switch s.Code() {
	case codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted, codes.OutOfRange, codes.ResourceExhausted:
		return exitRefused
	case codes.PermissionDenied, codes.Unauthenticated:
		return exitNotAllowed
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled:
		return exitUnavailable
	}
	return exitUnexpected
}

// explain writes an error for people, one fault a line.
func explain(err error) string {
	var answer interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &answer) {
		return err.Error()
	}
	s := answer.GRPCStatus()
	text := s.Message()
	more := ""
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				text += "\n  " + v.GetField() + ": " + v.GetDescription()
			}
		case *errdetails.ErrorInfo:
			if n := d.GetMetadata()["faults_left_out"]; n != "" {
				more = "\n  and " + n + " more"
			}
		}
	}
	if text == "" {
		text = strings.ToLower(s.Code().String())
	}
	return text + more
}
