package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protorange"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/cmd/papers"
	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	"doughrun/config"
	v1 "doughrun/proto/doughrun/v1"
)

// job is one command being carried out: the result goes to out, the talk to talk.
type job struct {
	ctx      context.Context
	settings config.Client
	json     bool
	in       io.Reader
	out      io.Writer
	talk     io.Writer
	conn     *grpc.ClientConn // dialled when first needed
	again    string           // flags that make a repeated write the same one
}

// group is a noun with its verbs.
func group(use, short string, verbs ...*cobra.Command) *cobra.Command {
	cmd := &cobra.Command{Use: use, Short: short, Args: cobra.NoArgs, RunE: func(*cobra.Command, []string) error {
		return fmt.Errorf("%s needs a verb", use)
	}}
	cmd.AddCommand(verbs...)
	return cmd
}

// act makes a command of a function. Its errors are not errors of usage.
func act(f func(j *job, args []string) error) func(*cobra.Command, []string) error {
	return func(cmd *cobra.Command, args []string) error {
		j := &job{ctx: cmd.Context(), in: cmd.InOrStdin(), out: cmd.OutOrStdout(), talk: cmd.ErrOrStderr()}
		var err error
		if j.settings, _, err = config.Load[config.Client](cmd.Flags(), os.Environ()); err != nil {
			return &failure{exitUsage, err}
		}
		switch output, _ := cmd.Flags().GetString("output"); output {
		case "json":
			j.json = true
		case "text":
		default:
			return &failure{exitUsage, fmt.Errorf("--output %q is unknown; write text or json", output)}
		}
		err = f(j, args)
		if j.conn != nil {
			j.conn.Close() // every answer is in: nothing is lost
		}
		var already *failure
		if err == nil || errors.As(err, &already) {
			return err
		}
		code := exitOf(err)
		if code == exitUnavailable && j.again != "" {
			fmt.Fprintln(j.talk, "doughrun: it is not known whether it was done; give the same command again, with"+j.again)
		}
		return &failure{code, err}
	}
}

// exceptions ends a command that is done, but has something to look at.
func exceptions(n int, text string) error {
	if n == 0 {
		return nil
	}
	return &failure{exitExceptions, fmt.Errorf("%s (%d listed)", text, n)}
}

// longestAnswer is how many bytes an answer may have: a recall of an
// ingredient that went everywhere for weeks is long.
const longestAnswer = 64 << 20

// dial returns the connection to the service.
func (j *job) dial() (*grpc.ClientConn, error) {
	if j.conn != nil {
		return j.conn, nil
	}
	limit := func(ctx context.Context, method string, req, reply any, cc *grpc.ClientConn, next grpc.UnaryInvoker, opts ...grpc.CallOption) error {
		ctx, cancel := context.WithTimeout(ctx, j.settings.Timeout)
		defer cancel()
		return next(ctx, method, req, reply, cc, opts...)
	}
	options, err := j.credentials()
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient(j.settings.Address, append(options, grpc.WithUnaryInterceptor(limit),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(longestAnswer)))...)
	if err != nil {
		return nil, &failure{exitUsage, fmt.Errorf("the address %q cannot be used: %w; write host and port, for example 127.0.0.1:7410", j.settings.Address, err)}
	}
	j.conn = conn
	return conn, nil
}

// ask sends one request through a service's client.
func ask[C, Q, A any](j *job, client func(grpc.ClientConnInterface) C, call func(C, context.Context, Q, ...grpc.CallOption) (A, error), req Q) (A, error) {
	conn, err := j.dial()
	if err != nil {
		var none A
		return none, err
	}
	return call(client(conn), j.ctx, req)
}

// all collects every page of a list: get returns one page and the next token.
func all[R any](get func(token string) ([]R, string, error)) ([]R, error) {
	var list []R
	for token := ""; ; {
		rows, next, err := get(token)
		if err != nil {
			return nil, err
		}
		list = append(list, rows...)
		if next == "" {
			return list, nil
		}
		token = next
	}
}

// show writes the result: the message itself, or a text made of it.
func (j *job) show(m proto.Message, text func() (string, error)) error {
	if j.json {
		b, err := papers.Encode(m)
		if err != nil {
			return err
		}
		return j.write(b)
	}
	j.inUnits(m)
	s, err := text()
	if err != nil {
		return err
	}
	return j.write([]byte(s))
}

func (j *job) write(b []byte) error {
	if _, err := j.out.Write(b); err != nil {
		return fmt.Errorf("the result cannot be written: %w", err)
	}
	return nil
}

// inUnits makes a message show quantities as the settings want them.
func (j *job) inUnits(m proto.Message) {
	units := map[string]v1.UnitSystem{"metric": v1.UnitSystem_UNIT_SYSTEM_METRIC, "us": v1.UnitSystem_UNIT_SYSTEM_US}[j.settings.Units]
	if units == v1.UnitSystem_UNIT_SYSTEM_UNSPECIFIED {
		return
	}
	// The visit itself never fails.
	_ = protorange.Range(m.ProtoReflect(), func(v protopath.Values) error {
		if message, ok := v.Index(-1).Value.Interface().(protoreflect.Message); ok {
			if site, ok := message.Interface().(*v1.Site); ok {
				site.Units = units
			}
		}
		return nil
	})
}

// read returns a file's bytes; "-" is the standard input.
func (j *job) read(name string) ([]byte, error) {
	var b []byte
	var err error
	if name == "-" {
		b, err = io.ReadAll(j.in)
	} else {
		b, err = os.ReadFile(name)
	}
	if err != nil {
		return nil, commissary.Refuse(commissary.Invalid, "FILE_UNREADABLE", "the file cannot be read: %v", err)
	}
	return b, nil
}

// catalogue returns what is needed to print what names only ids.
func (j *job) catalogue() (*v1.Catalogue, error) {
	b, err := j.book()
	if err != nil {
		return nil, err
	}
	j.inUnits(b)
	return b.GetCatalogue(), nil
}

func (j *job) book() (*v1.GetBookResponse, error) {
	return ask(j, v1.NewKitchenServiceClient, v1.KitchenServiceClient.GetBook, &v1.GetBookRequest{Name: wire.BookName(j.settings.Kitchen, 0)})
}

// nightFlag adds --night.
func nightFlag(cmd *cobra.Command) *string {
	s := cmd.Flags().String("night", "", "the night, as 2026-11-26: the date of the evening whose trade just ended")
	required(cmd, "night")
	return s
}

func required(cmd *cobra.Command, flags ...string) {
	for _, f := range flags {
		if err := cmd.MarkFlagRequired(f); err != nil {
			panic(err) // the flag was never added
		}
	}
}

func date(flag, s string) (civil.Date, error) {
	d, err := civil.ParseDate(s)
	if err != nil {
		return d, commissary.Refuse(commissary.Invalid, "DATE_INVALID", "--%s: %v", flag, err)
	}
	return d, nil
}

// night returns the resource name of a night.
func (j *job) night(s string) (string, error) {
	d, err := date("night", s)
	return wire.NightName(j.settings.Kitchen, d), err
}

// instant reads an RFC 3339 instant, or date and time on a kitchen's clock.
func instant(s string, zone *civil.Zone) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil && t.Year() >= 2000 && t.Year() < 2200 {
		return t.UTC().Truncate(time.Second), nil
	}
	if len(s) == len("2006-01-02 15:04") && s[10] == ' ' {
		d, err := civil.ParseDate(s[:10])
		c, err2 := civil.ParseClock(s[11:])
		if err == nil && err2 == nil {
			return zone.Instant(d, c), nil
		}
	}
	return time.Time{}, commissary.Refuse(commissary.Invalid, "INSTANT_INVALID",
		"%q is not an instant; write \"2026-11-27 02:05\" for the kitchen's clock, or \"2026-11-27T02:05:00-05:00\"", s)
}

// clockTime reads an instant on the kitchen's clock; none when it is left out.
func (j *job) clockTime(flag, s string) (*timestamppb.Timestamp, error) {
	if s == "" {
		return nil, nil
	}
	c, err := j.catalogue()
	if err != nil {
		return nil, err
	}
	zone, err := civil.LoadZone(c.GetSite().GetTimeZone())
	if err != nil {
		return nil, err
	}
	at, err := instant(s, zone)
	if err != nil {
		return nil, badFlag(flag, err)
	}
	return timestamppb.New(at), nil
}

// writeFlags adds --request-id to a command that changes something.
func writeFlags(cmd *cobra.Command) *string {
	return cmd.Flags().String("request-id", "", "UUID of the request; give the one of a request without an answer to settle it")
}

// request returns the id of a write, a fresh one unless it is given.
func (j *job) request(id string) (string, error) {
	if id == "" {
		id = uuid.NewString()
	} else if uuid.Validate(id) != nil || len(id) != 36 {
		return "", commissary.Refuse(commissary.Invalid, "REQUEST_ID_INVALID", "--request-id %q is not a UUID; leave it out for a fresh one", id)
	}
	j.again += " --request-id " + id
	return id, nil
}

// etag is the revision that a write expects: the given one, or the one that
// was just read.
func (j *job) etag(given, read string) string {
	if given == "" {
		given = read
	}
	if given != "" {
		j.again += " --etag " + given
	}
	return given
}

// revisionFlag adds --revision; 0 is the newest.
func revisionFlag(cmd *cobra.Command) *int {
	return cmd.Flags().Int("revision", 0, "which revision; 0 is the newest")
}

// patience is how long a command goes on asking for one answer.
func (j *job) patience() (context.Context, context.CancelFunc) {
	return context.WithTimeout(j.ctx, j.settings.Timeout)
}
