package server_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	tracesdk "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/sdk/trace/tracetest"

	"doughrun/commissary"
	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

// A call's span holds those of its transactions and its plan, and nothing of
// the credential or of what the caller wrote.
func TestCallsAreTraced(t *testing.T) {
	seen := tracetest.NewInMemoryExporter()
	s := protect(t, server.Rate{}, func(o *server.Options) {
		o.Traces = tracesdk.NewTracerProvider(tracesdk.WithSyncer(seen))
	})
	secret := s.admit(commissary.Caller{Name: "desk", Kitchen: "main", Role: commissary.RolePlanner})
	conn := s.as(secret)
	_, err := v1.NewOrderServiceClient(conn).SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: east, RequestId: id(), PhonedBy: "Quince Canary",
		Lines: []*v1.OrderLine{line("ball", 40)}})
	require.NoError(t, err)
	_, err = v1.NewPlanServiceClient(conn).DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: night, Steps: 1})
	require.NoError(t, err)
	_, err = v1.NewNightServiceClient(s.as("no-such-token")).GetNight(t.Context(), &v1.GetNightRequest{Name: night})
	require.Error(t, err)

	inside := map[string][]string{} // names by their parent's
	spans := seen.GetSpans()
	for _, child := range spans {
		for _, parent := range spans {
			if child.Parent.SpanID() == parent.SpanContext.SpanID() {
				inside[parent.Name] = append(inside[parent.Name], child.Name)
			}
		}
		all := fmt.Sprintf("%+v %+v %+v %+v", child.Name, child.Attributes, child.Events, child.Status)
		for _, word := range []string{secret, "no-such-token", "Bearer", "Quince", "authorization"} {
			require.NotContains(t, all, word)
		}
	}
	require.Contains(t, inside["doughrun.v1.OrderService/SubmitOrder"], "store update")
	require.Contains(t, inside["doughrun.v1.PlanService/DraftPlan"], "store view")
	require.Contains(t, inside["doughrun.v1.PlanService/DraftPlan"], "plan")
}
