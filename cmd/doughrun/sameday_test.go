package main

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/encoding/prototext"

	v1 "doughrun/proto/doughrun/v1"
)

// The same day through the service and through files gives the same plan.
func TestTheSameDayThroughServiceAndFiles(t *testing.T) {
	s := serve(t)
	s.at(t, "2026-11-27T00:40:00-05:00")
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	s.must(t, exitDone, "lot", "count", "--file", lotsFile)
	s.must(t, exitDone, "order", "submit", "--night", demoNight, "--file", ordersFile)
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitDone, "night", "close", "--night", demoNight)

	served := tell(t, s, &v1.DraftPlanResponse{}, "plan", "draft", "--night", demoNight).GetPlan()
	r := do(t, rehearsal(ordersFile, lotsFile, demoNight, demoAt, "--output", "json")...)
	require.Equal(t, exitExceptions, r.code, r.stderr)
	var answer v1.DraftPlanResponse
	require.NoError(t, protojson.Unmarshal([]byte(r.stdout), &answer))
	fromFiles := answer.GetPlan()
	require.Equal(t, served.GetInputHash(), fromFiles.GetInputHash())
	// Only a book that is adopted has a revision, and with it the plan.
	served.BookRevision, fromFiles.BookRevision = 0, 0
	require.True(t, prototext.Format(served) == prototext.Format(fromFiles), "the two plans differ")
}
