package main

import (
	"github.com/spf13/cobra"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func dispatchCommand() *cobra.Command {
	return group("dispatch", "Say which lots ride to which shop in the morning",
		draftDispatchCommand(), checkDispatchCommand(), releaseDispatchCommand(), showDispatchCommand())
}

// messageWithDispatch is an answer that holds a dispatch.
type messageWithDispatch interface {
	protoMessage
	GetDispatch() *v1.Dispatch
}

// showDispatch writes a dispatch and ends with its exceptions.
func (j *job) showDispatch(m messageWithDispatch) error {
	err := j.show(m, func() (string, error) { return sheet.Dispatch(m.GetDispatch()), nil })
	if err != nil {
		return err
	}
	return exceptions(len(m.GetDispatch().GetExceptions()), "dispatched, with exceptions")
}

func (j *job) draftDispatch(night string) (*v1.DraftDispatchResponse, error) {
	name, err := j.night(night)
	if err != nil {
		return nil, err
	}
	return ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.DraftDispatch, &v1.DraftDispatchRequest{Night: name})
}

func (j *job) readDispatch(name string) (*v1.Dispatch, error) {
	return readMessage(j, name, "dispatch", &v1.Dispatch{}, &v1.DraftDispatchResponse{}, (*v1.DraftDispatchResponse).GetDispatch)
}

func draftDispatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "draft", Short: "Allot the lots on hand to the next morning's deliveries, and keep nothing", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		m, err := j.draftDispatch(*night)
		if err != nil {
			return err
		}
		return j.showDispatch(m)
	})
	return cmd
}

func checkDispatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "check", Short: "Judge any dispatch", Args: cobra.NoArgs}
	file := cmd.Flags().String("dispatch", "", "file with the dispatch as JSON, as \"dispatch draft\" writes it; - reads it from the standard input")
	required(cmd, "dispatch")
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := j.readDispatch(*file)
		if err != nil {
			return err
		}
		name, err := j.night(d.GetNightDate())
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.CheckDispatch, &v1.CheckDispatchRequest{Night: name, Dispatch: d})
		if err != nil {
			return err
		}
		return j.showReasons(m, "dispatch", j.catalogue)
	})
	return cmd
}

func releaseDispatchCommand() *cobra.Command {
	var req v1.ReleaseDispatchRequest
	cmd := &cobra.Command{
		Use:   "release",
		Short: "Make a draft a fact: its lots are taken from stock",
		Long: `Make a draft a fact: its lots are taken from stock.

With --draft it is the draft in that file; without, a dispatch is drafted and
released at once.`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	draft := cmd.Flags().String("draft", "", "file with the draft as JSON, as \"dispatch draft\" writes it; - reads it from the standard input")
	id := writeFlags(cmd)
	cmd.Flags().BoolVar(&req.ValidateOnly, "validate-only", false, "refuse what would be refused, and keep nothing")
	cmd.RunE = act(func(j *job, _ []string) error {
		var d *v1.Dispatch
		var err error
		if *draft != "" {
			d, err = j.readDispatch(*draft)
		} else {
			var m *v1.DraftDispatchResponse
			m, err = j.draftDispatch(*night)
			d = m.GetDispatch()
		}
		if err != nil {
			return err
		}
		if req.Night, err = j.night(*night); err != nil {
			return err
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		req.DraftTime, req.InputHash = d.GetDraftTime(), d.GetInputHash()
		m, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.ReleaseDispatch, &req)
		if err != nil {
			return err
		}
		return j.showDispatch(m)
	})
	return cmd
}

func showDispatchCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Show a released dispatch", Args: cobra.NoArgs}
	night, revision := nightFlag(cmd), revisionFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.GetDispatch, &v1.GetDispatchRequest{Name: wire.DispatchName(j.settings.Kitchen, d, *revision)})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Dispatch(m.GetDispatch()), nil })
	})
	return cmd
}
