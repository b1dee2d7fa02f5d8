package server_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	grpccredentials "google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	validatev1 "buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"

	"doughrun/commissary"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	"doughrun/config/keys"
	v1 "doughrun/proto/doughrun/v1"
)

// site is a protected server with two kitchens, main and annexe, that have the
// same book but for their names.
type site struct {
	t         *testing.T
	clock     *clock
	store     commissary.Store
	log       *strings.Builder
	pipe      *bufconn.Listener
	admin     *bufconn.Listener
	authority keys.Pair
	roots     *x509.CertPool
}

func protect(t *testing.T, r server.Rate, change ...func(*server.Options)) *site {
	facts, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "facts.db"), store.Options{})
	require.NoError(t, err)
	s := &site{t: t, clock: &clock{now: evening()}, store: facts, log: &strings.Builder{},
		pipe: bufconn.Listen(1 << 20), admin: bufconn.Listen(1 << 20), roots: x509.NewCertPool()}
	s.authority, err = keys.NewAuthority("site", time.Now())
	require.NoError(t, err)
	require.True(t, s.roots.AppendCertsFromPEM(s.authority.Certificate))
	dir := t.TempDir()
	own, err := s.authority.NewServer([]string{"kitchen"}, time.Now())
	require.NoError(t, err)
	certificate, key, err := own.Write(filepath.Join(dir, "server"))
	require.NoError(t, err)
	root, _, err := s.authority.Write(filepath.Join(dir, "authority"))
	require.NoError(t, err)
	shown, err := keys.Server(certificate, key, root, time.Now())
	require.NoError(t, err)
	o := server.Options{Store: facts, Now: s.clock.Now, NewID: func() string { return "ref-1" }, TLS: shown, Rate: r,
		Log: slog.New(slog.NewTextHandler(&lockedWriter{w: s.log}, nil))}
	for _, f := range change {
		f(&o)
	}
	srv, err := server.New(o)
	require.NoError(t, err)
	served := make(chan error, 2)
	go func() { served <- srv.Serve(s.pipe) }()
	go func() { served <- srv.ServeAdmin(s.admin) }()
	t.Cleanup(func() {
		srv.Stop(5 * time.Second)
		require.NoError(t, <-served)
		require.NoError(t, <-served)
		require.NoError(t, facts.Close())
	})
	for _, id := range []string{"main", "annexe"} {
		_, err := v1.NewKitchenServiceClient(s.as(s.admit(commissary.Caller{Name: "founder", Kitchen: id, Role: commissary.RoleOwner}))).
			AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: "kitchens/" + id, RequestId: request,
				Source: bytes.Replace(book(t), []byte("id: main"), []byte("id: "+id), 1)})
		require.NoError(t, err, "%v", status.Convert(err).Details())
	}
	return s
}

// request is one request id for everybody: callers do not share their answers.
const request = "5b0c7c2e-6a1f-4a55-9d5e-3f8f8f3d0a11"

// admit lets a caller in and returns the token.
func (s *site) admit(c commissary.Caller) string {
	token := keys.NewToken()
	s.add(c, keys.HashToken(token))
	return token
}

func (s *site) add(c commissary.Caller, hash []byte) {
	require.NoError(s.t, s.store.Update(s.t.Context(), func(tx commissary.Tx) error {
		return tx.Credentials().Add(commissary.Credential{ID: fmt.Sprintf("%x", hash[:5]), Hash: hash, Caller: c, Issued: s.clock.Now(), Ends: s.clock.Now().Add(time.Hour)})
	}))
}

type token string

func (t token) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(t)}, nil
}
func (t token) RequireTransportSecurity() bool { return true }

// as connects with a token, or with none.
func (s *site) as(given string, certificates ...tls.Certificate) *grpc.ClientConn {
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(grpccredentials.NewTLS(&tls.Config{RootCAs: s.roots, ServerName: "kitchen", Certificates: certificates})),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.pipe.DialContext(ctx) }),
	}
	if given != "" {
		options = append(options, grpc.WithPerRPCCredentials(token(given)))
	}
	conn, err := grpc.NewClient("passthrough:///kitchen", options...)
	require.NoError(s.t, err)
	s.t.Cleanup(func() { require.NoError(s.t, conn.Close()) })
	return conn
}

// calls lists every call of the contract.
func calls() []protoreflect.MethodDescriptor {
	var all []protoreflect.MethodDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("doughrun.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			methods := f.Services().Get(i).Methods()
			for j := range methods.Len() {
				all = append(all, methods.Get(j))
			}
		}
		return true
	})
	slices.SortFunc(all, func(a, b protoreflect.MethodDescriptor) int {
		return strings.Compare(string(a.FullName()), string(b.FullName()))
	})
	return all
}

func pathOf(m protoreflect.MethodDescriptor) string {
	return "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
}

// target is what a request is about.
type target struct{ kitchen, shop, run, lot string }

// about fills in a request for a call: names, shop, run and places.
func about(t testing.TB, m protoreflect.MethodDescriptor, to target) proto.Message {
	kind, err := protoregistry.GlobalTypes.FindMessageByName(m.Input().FullName())
	require.NoError(t, err)
	msg := kind.New()
	k := "kitchens/" + to.kitchen
	n := k + "/nights/2026-11-26"
	set := func(field protoreflect.Name, text string) {
		if f := msg.Descriptor().Fields().ByName(field); f != nil && f.Kind() == protoreflect.StringKind && !f.IsList() {
			msg.Set(f, protoreflect.ValueOfString(text))
		}
	}
	first := msg.Descriptor().Fields().ByNumber(1)
	rules := proto.GetExtension(first.Options(), validatev1.E_Field).(*validatev1.FieldRules)
	form := regexp.MustCompile(rules.GetString().GetPattern())
	names := []string{k, n, k + "/books/1", n + "/orders/" + to.shop, n + "/plans/1", n + "/dispatches/1",
		n + "/manifests/" + to.run, k + "/batches/20261126-01", k + "/lots/" + to.lot, k + "/outages/1"}
	i := slices.IndexFunc(names, form.MatchString)
	require.GreaterOrEqual(t, i, 0, "field 1 of %s is no name of a known form; teach this test", msg.Descriptor().Name())
	set(first.Name(), names[i])
	set("request_id", request)
	set("shop_id", to.shop)
	set("run_id", to.run)
	set("from", "van/"+to.run+"/"+to.shop)
	set("to", to.shop)
	set("place", to.shop)
	set("subject", n+"/orders/"+to.shop)
	return msg.Interface()
}

// said is what the contract says of each call, in its words "For ...": which
// roles may make it, and whether a shop or driver only on its own account.
func said(t *testing.T) map[string]map[commissary.Role]bool {
	sentence := regexp.MustCompile(`(?s)((?:\s*//[^\n]*\n)+)\s*rpc (\w+)\(`)
	service := regexp.MustCompile(`(?m)^service (\w+) \{`)
	all := map[string]map[commissary.Role]bool{}
	files, err := filepath.Glob("../../proto/doughrun/v1/*.proto")
	require.NoError(t, err)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		name := service.FindSubmatch(text)
		for _, m := range sentence.FindAllSubmatch(text, -1) {
			words := regexp.MustCompile(`\s*\n?\s*//\s*`).ReplaceAllString(string(m[1]), " ")
			_, who, ok := strings.Cut(words, ". For ")
			require.True(t, ok, "%s: %s does not say whom it is for: write \"For the kitchen.\" or alike", file, m[2])
			who, _, _ = strings.Cut(who, ".")
			may := map[commissary.Role]bool{}
			may[commissary.RoleShop] = strings.Contains(who, "shop")
			may[commissary.RoleDriver] = strings.Contains(who, "driver")
			desk := strings.Contains(who, "kitchen's planner")
			floor := !desk && (strings.Contains(who, "kitchen") || strings.Contains(who, "bakers")) || strings.Contains(who, "everybody")
			may[commissary.RoleBaker] = floor
			may[commissary.RolePlanner], may[commissary.RoleOwner] = desk || floor, desk || floor
			all["/doughrun.v1."+string(name[1])+"/"+string(m[2])] = may
		}
	}
	return all
}

// Every role makes every call for its own, for another's and for what is not
// there. Who may is what the contract says in words; what is refused is
// refused in the same words whether it is there or not.
func TestEveryRoleMakesEveryCall(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	s.stock("main", "F26.01-A", "van/round/east", "east")
	mine := target{"main", "east", "round", "F26.01-A"}
	s.stock("annexe", "F26.01-A", "van/round/east", "east")
	s.stock("main", "F26.02-B", "van/sunday/west", "west")
	targets := map[string]target{
		"own":            mine,
		"other":          {"main", "west", "sunday", "F26.02-B"},
		"absent":         {"main", "nowhere", "no-run", "F26.03-C"},
		"other kitchen":  {"annexe", "east", "round", "F26.01-A"},
		"absent kitchen": {"atlantis", "east", "round", "F26.01-A"},
	}
	may := said(t)
	cells := 0
	for _, role := range commissary.Roles() {
		scope := map[commissary.Role]string{commissary.RoleShop: "east", commissary.RoleDriver: "round"}[role]
		conn := s.as(s.admit(commissary.Caller{Name: "the-" + string(role), Kitchen: "main", Role: role, Scope: scope}))
		for _, m := range calls() {
			words, ok := may[pathOf(m)]
			require.True(t, ok, "%s is not in the contract's text", pathOf(m))
			denied := map[string][]byte{}
			requests := map[string]bool{}
			for _, name := range []string{"own", "other", "absent", "other kitchen", "absent kitchen"} {
				req := about(t, m, targets[name])
				out, err := protoregistry.GlobalTypes.FindMessageByName(m.Output().FullName())
				require.NoError(t, err)
				err = conn.Invoke(t.Context(), pathOf(m), req, out.New().Interface())
				cells++
				what := fmt.Sprintf("%s calls %s for %s: %v", role, m.FullName(), name, err)
				code := status.Code(err)
				require.NotContains(t, []codes.Code{codes.Unauthenticated, codes.Internal, codes.Unimplemented}, code, what)
				b, merr := proto.MarshalOptions{Deterministic: true}.Marshal(status.Convert(err).Proto())
				require.NoError(t, merr)
				content, merr := proto.MarshalOptions{Deterministic: true}.Marshal(req)
				require.NoError(t, merr)
				same := requests[string(content)]
				requests[string(content)] = true
				allowed := words[role]
				switch name {
				case "other", "absent":
					allowed = allowed && (scope == "" || same) // a request without shop or run is the same for all
				case "other kitchen", "absent kitchen":
					allowed = false
				}
				require.Equal(t, allowed, code != codes.PermissionDenied, what)
				if !allowed {
					denied[name] = b
				}
			}
			for name, b := range denied {
				require.Equal(t, denied["absent kitchen"], b, "%s calls %s: %s is refused in other words", role, m.FullName(), name)
			}
		}
	}
	t.Logf("%d cells", cells)
	require.Equal(t, len(commissary.Roles())*len(calls())*len(targets), cells)
	// No call, no matter which: without a row nobody may.
	conn := s.as(s.admit(commissary.Caller{Name: "the-owner", Kitchen: "main", Role: commissary.RoleOwner}))
	require.Equal(t, codes.Unimplemented, status.Code(conn.Invoke(t.Context(), "/doughrun.v1.OrderService/Nothing", &v1.GetNightRequest{}, &v1.GetNightResponse{})))
}

func (s *site) stock(kitchen, code, from, to string) {
	require.NoError(s.t, s.store.Update(s.t.Context(), func(tx commissary.Tx) error {
		l := tx.Lots(kitchen)
		if err := l.Create(commissary.Lot{Code: code, Item: "ball", Made: s.clock.Now()}); err != nil {
			return err
		}
		if err := l.Move(commissary.Movement{Lot: code, Kind: commissary.Counted, Pieces: 40, At: s.clock.Now()}); err != nil {
			return err
		}
		if err := l.Move(commissary.Movement{Lot: code, Kind: commissary.Picked, Pieces: -30, To: from, At: s.clock.Now()}); err != nil {
			return err
		}
		return l.Move(commissary.Movement{Lot: code, Kind: commissary.Delivered, Pieces: -10, Place: from, To: to, At: s.clock.Now()})
	}))
}

// Whoever does not prove who they are hears one sentence, whatever is wrong.
func TestCredentials(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	good := s.admit(commissary.Caller{Name: "desk", Kitchen: "main", Role: commissary.RolePlanner})
	ask := func(conn *grpc.ClientConn) error {
		_, err := v1.NewNightServiceClient(conn).GetNight(t.Context(), &v1.GetNightRequest{Name: night})
		return err
	}
	require.NoError(t, ask(s.as(good)))
	stranger, err := keys.NewAuthority("another site", time.Now())
	require.NoError(t, err)
	certificate := func(by keys.Pair) tls.Certificate {
		p, err := by.NewClient("till", time.Hour, time.Now())
		require.NoError(t, err)
		c, err := tls.X509KeyPair(p.Certificate, p.Key)
		require.NoError(t, err)
		return c
	}
	till := certificate(s.authority)
	var text string
	for name, conn := range map[string]*grpc.ClientConn{
		"none": s.as(""), "unknown": s.as(keys.NewToken()), "empty": s.as(" "), "cut short": s.as(good[:len(good)-1]),
		"certificate nobody admitted": s.as("", till),
	} {
		st, _, _ := refused(t, ask(conn), codes.Unauthenticated, "CREDENTIAL_REFUSED")
		if text == "" {
			text = st.Message()
		}
		require.Equal(t, text, st.Message(), name)
	}
	require.Equal(t, codes.Unauthenticated, status.Code(ask(s.as("", certificate(stranger)))), "it is not even sent")
	plain, err := grpc.NewClient("passthrough:///kitchen", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.pipe.DialContext(ctx) }))
	require.NoError(t, err)
	defer plain.Close()
	require.Equal(t, codes.Unavailable, status.Code(ask(plain)), "nothing in the clear")
	raw, err := s.pipe.Dial()
	require.NoError(t, err)
	old := tls.Client(raw, &tls.Config{RootCAs: s.roots, ServerName: "kitchen", MaxVersion: tls.VersionTLS12})
	require.ErrorContains(t, old.HandshakeContext(t.Context()), "protocol version", "nothing below TLS 1.3")

	// A certificate is admitted by its hash, and a token beats it.
	hash := sha256.Sum256(till.Certificate[0])
	s.add(commissary.Caller{Name: "till", Kitchen: "main", Role: commissary.RoleShop, Scope: "east"}, hash[:])
	require.NoError(t, ask(s.as("", till)))
	require.Contains(t, s.log.String(), "caller=till")
	require.Equal(t, codes.Unauthenticated, status.Code(ask(s.as("unknown", till))))

	// Revoked: known after seconds. Expired: at once.
	conn := s.as(good)
	require.NoError(t, ask(conn))
	var list []commissary.Credential
	require.NoError(t, s.store.Update(t.Context(), func(tx commissary.Tx) (err error) {
		if list, err = tx.Credentials().List("main"); err != nil {
			return err
		}
		for _, c := range list {
			if c.Caller.Name == "desk" {
				return tx.Credentials().End("main", c.ID, s.clock.Now())
			}
		}
		return nil
	}))
	s.clock.Set(s.clock.Now().Add(5 * time.Second))
	refused(t, ask(conn), codes.Unauthenticated, "CREDENTIAL_REFUSED")
	require.NoError(t, ask(s.as("", till)))
	s.clock.Set(s.clock.Now().Add(time.Hour - 6*time.Second))
	require.NoError(t, ask(s.as("", till)))
	s.clock.Set(s.clock.Now().Add(time.Second))
	refused(t, ask(s.as("", till)), codes.Unauthenticated, "CREDENTIAL_REFUSED")

	require.NotContains(t, s.log.String(), good)
	require.NotContains(t, s.log.String(), "doughrun-token")
}

// What is wrong with a request is told only to those who may make it.
func TestAccessComesBeforeValidation(t *testing.T) {
	s := protect(t, server.Rate{})
	shop := v1.NewOrderServiceClient(s.as(s.admit(commissary.Caller{Name: "till", Kitchen: "main", Role: commissary.RoleShop, Scope: "east"})))
	for _, name := range []string{"", "east", "kitchens/main", west, "kitchens/main/nights/never/orders/west", "kitchens//nights/2026-11-26/orders/east", east + "/x"} {
		_, err := shop.SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: name})
		refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
	}
	_, err := shop.SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: east})
	refused(t, err, codes.InvalidArgument, "FIELDS_INVALID")
}

// No answer to a shop holds a byte of another shop or kitchen, and what it did
// is recorded under its name.
func TestNothingOfAnotherReachesAShop(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	s.stock("main", "F26.01-A", "van/round/east", "east")
	s.stock("main", "F26.02-B", "van/round/west", "west")
	desk := s.as(s.admit(commissary.Caller{Name: "desk", Kitchen: "main", Role: commissary.RolePlanner}))
	for _, shop := range []string{east, west} {
		_, err := v1.NewOrderServiceClient(desk).SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: shop, Closed: true, RequestId: id()})
		require.NoError(t, err)
	}
	till := s.as(s.admit(commissary.Caller{Name: "till", Kitchen: "main", Role: commissary.RoleShop, Scope: "east"}))
	mine := target{"main", "east", "round", "F26.01-A"}
	answered := 0
	for _, m := range calls() {
		out, err := protoregistry.GlobalTypes.FindMessageByName(m.Output().FullName())
		require.NoError(t, err)
		resp := out.New().Interface()
		req := about(t, m, mine)
		switch r := req.(type) {
		case *v1.MoveLotRequest:
			r.Pieces, r.RequestId = 1, id()
		case *v1.DestroyLotRequest:
			r.Reason = "dropped"
		case *v1.SubmitOrderRequest:
			r.Closed, r.Etag, r.RequestId = true, "2", id()
		case *v1.CancelOrderRequest:
			r.Etag, r.RequestId = "1", id()
		case *v1.SubmitCountRequest:
			r.Night, r.RequestId = main+"/nights/2026-11-25", id()
		}
		err = till.Invoke(t.Context(), pathOf(m), req, resp)
		if err == nil {
			answered++
		} else if status.Code(err) != codes.PermissionDenied {
			t.Log(m.Name(), err)
		}
		b := fmt.Sprintf("%v %v", resp, status.Convert(err).Proto())
		for _, canary := range []string{"west", "West", "Kiln", "F26.02", "annexe", "founder"} {
			if _, ok := resp.(*v1.GetBookResponse); ok && canary == "founder" {
				continue // who adopted the book
			}
			require.NotContains(t, b, canary, "%s", m.FullName())
		}
	}
	require.GreaterOrEqual(t, answered, 8)
	changes, err := v1.NewAuditServiceClient(till).ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: east})
	require.NoError(t, err)
	require.Equal(t, "desk", changes.GetChanges()[0].GetCaller())
	require.Equal(t, "till", changes.GetChanges()[1].GetCaller())
	for _, c := range changes.GetChanges() {
		require.Zero(t, c.GetSequence())
		require.Empty(t, c.GetHash())
	}
}

// A page token goes on with the list of the caller who got it, and nobody else's.
func TestAPageTokenIsItsCallersOwn(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	one := s.as(s.admit(commissary.Caller{Name: "one", Kitchen: "main", Role: commissary.RolePlanner}))
	other := s.as(s.admit(commissary.Caller{Name: "other", Kitchen: "main", Role: commissary.RolePlanner}))
	for _, shop := range []string{east, west} {
		_, err := v1.NewOrderServiceClient(one).SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: shop, Closed: true, RequestId: id()})
		require.NoError(t, err)
	}
	req := &v1.ListOrdersRequest{Night: night, PageSize: 1}
	first, err := v1.NewOrderServiceClient(one).ListOrders(t.Context(), req)
	require.NoError(t, err)
	require.NotEmpty(t, first.GetNextPageToken())
	req.PageToken = first.GetNextPageToken()
	_, err = v1.NewOrderServiceClient(other).ListOrders(t.Context(), req)
	refused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
	_, err = v1.NewOrderServiceClient(one).ListOrders(t.Context(), req)
	require.NoError(t, err)
}

// A caller that has gone wild is told when to come again, and others do not notice.
func TestCallersAreHeldToTheirRate(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1, Burst: 5, Together: 2})
	ask := func(conn *grpc.ClientConn) error {
		_, err := v1.NewNightServiceClient(conn).GetNight(t.Context(), &v1.GetNightRequest{Name: night})
		return err
	}
	wild := s.as(s.admit(commissary.Caller{Name: "wild", Kitchen: "main", Role: commissary.RoleBaker}))
	calm := s.as(s.admit(commissary.Caller{Name: "calm", Kitchen: "main", Role: commissary.RoleBaker}))
	for range 5 {
		require.NoError(t, ask(wild))
	}
	for range 20 {
		st, _, _ := refused(t, ask(wild), codes.ResourceExhausted, "TOO_MANY_CALLS")
		retry := st.Details()[1].(*errdetails.RetryInfo).GetRetryDelay().AsDuration()
		require.Equal(t, time.Second, retry)
	}
	require.NoError(t, ask(calm))
	s.clock.Set(s.clock.Now().Add(time.Second))
	require.NoError(t, ask(wild), "what was refused does not count")
	refused(t, ask(wild), codes.ResourceExhausted, "TOO_MANY_CALLS")

	// Guessing is counted by address.
	guesses := map[codes.Code]int{}
	for range 30 {
		guesses[status.Code(ask(s.as(keys.NewToken())))]++
	}
	require.Equal(t, map[codes.Code]int{codes.Unauthenticated: 5, codes.ResourceExhausted: 25}, guesses)
	require.NoError(t, ask(calm))
}

// Reflection and health are on the admin address only.
func TestAdminAddress(t *testing.T) {
	s := protect(t, server.Rate{})
	conn := s.as(s.admit(commissary.Caller{Name: "boss", Kitchen: "main", Role: commissary.RoleOwner}))
	list := func(conn *grpc.ClientConn) (*reflectionv1.ServerReflectionResponse, error) {
		stream, err := reflectionv1.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
		require.NoError(t, err)
		_ = stream.Send(&reflectionv1.ServerReflectionRequest{MessageRequest: &reflectionv1.ServerReflectionRequest_ListServices{}})
		return stream.Recv()
	}
	_, err := list(conn)
	require.Contains(t, []codes.Code{codes.PermissionDenied, codes.Unimplemented}, status.Code(err))
	_, err = healthv1.NewHealthClient(conn).Check(t.Context(), &healthv1.HealthCheckRequest{})
	require.Equal(t, codes.Unimplemented, status.Code(err))

	admin, err := grpc.NewClient("passthrough:///admin", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.admin.DialContext(ctx) }))
	require.NoError(t, err)
	defer admin.Close()
	h, err := healthv1.NewHealthClient(admin).Check(t.Context(), &healthv1.HealthCheckRequest{Service: "doughrun.v1.OrderService"})
	require.NoError(t, err)
	require.Equal(t, healthv1.HealthCheckResponse_SERVING, h.GetStatus())
	services, err := list(admin)
	require.NoError(t, err)
	require.Contains(t, services.String(), "doughrun.v1.OrderService")
	_, err = v1.NewNightServiceClient(admin).GetNight(t.Context(), &v1.GetNightRequest{Name: night})
	require.Equal(t, codes.Unimplemented, status.Code(err), "no facts without a credential")
}
