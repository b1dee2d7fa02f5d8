package server_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

// Orders and plans are answered from memory while nothing changes. Whatever
// another service on the same facts changes, the next answer is that of a
// service which remembers nothing.
func TestWhatIsRememberedIsNeverOld(t *testing.T) {
	k := open(t)
	beside := func() *kitchen {
		return start(t, func(o *server.Options) { o.Store, o.Now = k.store, k.clock.Now })
	}
	reads := func(k *kitchen) (answers []proto.Message, refusals []codes.Code) {
		for _, name := range []string{east, west} {
			o, err := k.orders.GetOrder(t.Context(), &v1.GetOrderRequest{Name: name})
			answers, refusals = append(answers, o), append(refusals, status.Code(err))
		}
		for _, name := range []string{night + "/plans/newest", night + "/plans/1"} {
			p, err := k.plans.GetPlan(t.Context(), &v1.GetPlanRequest{Name: name})
			answers, refusals = append(answers, p), append(refusals, status.Code(err))
		}
		return answers, refusals
	}
	other := beside()
	etag := ""
	seen := map[string]bool{}
	for _, change := range []struct {
		what string
		make func()
	}{
		{"nothing", func() {}},
		{"an order", func() { etag = must(t)(other.submit(east, "", line("ball", 12))).GetEtag() }},
		{"its amendment", func() { etag = must(t)(other.submit(east, etag, line("ball", 18))).GetEtag() }},
		{"another shop's order", func() { must(t)(other.submit(west, "", line("ball", 30))) }},
		{"an order with goods that take no mixer", func() { etag = must(t)(other.submit(east, etag, line("ball", 24), line("sauce-3kg", 2))).GetEtag() }},
		{"a book with another name of a shop", func() {
			_, err := other.books.AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: main, RequestId: id(), Etag: "1",
				Source: []byte(strings.Replace(string(book(t)), "name: East Side", "name: Far East Side", 1))})
			require.NoError(t, err)
		}},
		{"a cancellation", func() {
			_, err := other.orders.CancelOrder(t.Context(), &v1.CancelOrderRequest{Name: east, Etag: etag, RequestId: id()})
			require.NoError(t, err)
		}},
		{"the plan", func() { other.close(); other.stock(); must(t)(nil, releases(other)) }},
	} {
		change.make()
		for range 2 { // the second time from memory
			got, gotCodes := reads(k)
			want, wantCodes := reads(beside())
			require.Equal(t, wantCodes, gotCodes, change.what)
			for i := range want {
				same(t, want[i], got[i])
			}
			text := ""
			for _, m := range got {
				b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
				require.NoError(t, err)
				text += string(b) + "\n"
			}
			seen[text] = true
		}
	}
	require.Equal(t, 8, len(seen), "every step changes an answer")
}

func releases(k *kitchen) error {
	_, err := k.plans.ReleasePlan(k.t.Context(), release(k.draft()))
	return err
}

func must(t *testing.T) func(*v1.Order, error) *v1.Order {
	return func(o *v1.Order, err error) *v1.Order {
		t.Helper()
		require.NoError(t, err)
		return o
	}
}
