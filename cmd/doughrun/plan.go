package main

import (
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// protoMessage is a message of the contract.
type protoMessage = proto.Message

// messageWithPlan is an answer that holds a plan.
type messageWithPlan interface {
	protoMessage
	GetPlan() *v1.Plan
}

// messageWithReasons is the answer to a check.
type messageWithReasons interface {
	protoMessage
	GetReasons() []*v1.Reason
}

func planCommand() *cobra.Command {
	return group("plan", "Draft, judge and release batch plans",
		rehearseCommand(), checkPlanCommand(), draftPlanCommand(), releasePlanCommand(), showPlanCommand(), timelineCommand(), listPlansCommand())
}

func searchFlags(cmd *cobra.Command, seed *uint64, steps *int64) {
	cmd.Flags().Uint64Var(seed, "seed", 0, "seed of the search")
	cmd.Flags().Int64Var(steps, "steps", 0, "how much search is done at most; 0 for the usual")
}

func draftPlanCommand() *cobra.Command {
	var req v1.DraftPlanRequest
	cmd := &cobra.Command{Use: "draft", Short: "Plan a night from what is known now, and keep nothing", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	searchFlags(cmd, &req.Seed, &req.Steps)
	cmd.RunE = act(func(j *job, _ []string) error {
		m, err := j.draftPlan(*night, &req)
		if err != nil {
			return err
		}
		j.sayChanges(m)
		for _, text := range m.GetScarce() {
			fmt.Fprintln(j.talk, "doughrun: "+text)
		}
		return j.showPlan(m)
	})
	return cmd
}

// sayChanges says what a draft does otherwise than the plan in force.
func (j *job) sayChanges(m *v1.DraftPlanResponse) {
	if len(m.GetChanges()) == 0 {
		return
	}
	fmt.Fprintf(j.talk, "doughrun: %d changes to the plan in force\n", len(m.GetChanges()))
	for _, c := range m.GetChanges() {
		fmt.Fprintln(j.talk, "  "+c)
	}
}

func (j *job) draftPlan(night string, req *v1.DraftPlanRequest) (*v1.DraftPlanResponse, error) {
	var err error
	if req.Night, err = j.night(night); err != nil {
		return nil, err
	}
	return ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.DraftPlan, req)
}

// checkPlan has the service judge a plan.
func (j *job) checkPlan(night string, p *v1.Plan) error {
	name, err := j.night(night)
	if err != nil {
		return err
	}
	m, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.CheckPlan, &v1.CheckPlanRequest{Night: name, Plan: p})
	if err != nil {
		return err
	}
	return j.showReasons(m, "plan", j.catalogue)
}

func releasePlanCommand() *cobra.Command {
	var req v1.ReleasePlanRequest
	cmd := &cobra.Command{
		Use:   "release",
		Short: "Make a draft a fact: its batches are posted",
		Long: `Make a draft a fact: its batches are posted.

With --draft it is the draft in that file; without, a plan is drafted and
released at once.`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	searchFlags(cmd, &req.Seed, &req.Steps)
	draft := cmd.Flags().String("draft", "", "file with the draft as JSON, as \"plan draft\" writes it; - reads it from the standard input")
	id := writeFlags(cmd)
	cmd.Flags().BoolVar(&req.ValidateOnly, "validate-only", false, "refuse what would be refused, and keep nothing")
	cmd.RunE = act(func(j *job, _ []string) error {
		var p *v1.Plan
		var err error
		if *draft != "" {
			p, _, err = j.readPlan(*draft)
		} else {
			var m *v1.DraftPlanResponse
			m, err = j.draftPlan(*night, &v1.DraftPlanRequest{Seed: req.Seed, Steps: req.Steps})
			p = m.GetPlan()
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
		req.PlanTime, req.Seed, req.Steps, req.InputHash = p.GetPlanTime(), p.GetSeed(), p.GetSteps(), p.GetInputHash()
		m, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.ReleasePlan, &req)
		if err != nil {
			return err
		}
		return j.showPlan(m)
	})
	return cmd
}

func showPlanCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "show", Short: "Show a released plan", Args: cobra.NoArgs}
	night, revision := nightFlag(cmd), revisionFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		d, err := date("night", *night)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.GetPlan, &v1.GetPlanRequest{Name: wire.PlanName(j.settings.Kitchen, d, *revision)})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return sheet.Plan(m.GetPlan()), nil })
	})
	return cmd
}

func listPlansCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "list", Short: "List a night's released plans, newest first", Args: cobra.NoArgs}
	night := nightFlag(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		name, err := j.night(*night)
		if err != nil {
			return err
		}
		m := &v1.ListPlansResponse{}
		m.Plans, err = all(func(token string) ([]*v1.PlanSummary, string, error) {
			page, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.ListPlans, &v1.ListPlansRequest{Night: name, PageToken: token})
			return page.GetPlans(), page.GetNextPageToken(), err
		})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) {
			c, err := j.catalogue()
			if err != nil {
				return "", err
			}
			return fmt.Sprint("Night of ", *night, "\n") + sheet.Plans(c.GetSite(), m.GetPlans()), nil
		})
	})
	return cmd
}
