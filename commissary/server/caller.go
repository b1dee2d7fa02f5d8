package server

import (
	"context"
	"crypto/sha256"
	"crypto/x509"
	"net"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"

	"doughrun/commissary"
)

// local is who calls when the service has no access control and listens on
// this machine only.
const local = "local"

// recheck is how long a credential that was good is taken for good without
// looking again: a revocation works at the latest after this time.
const recheck = 5 * time.Second

// door says who is calling, from the credential alone, and lets nobody in
// faster than the service bears.
type door struct {
	*core
	rates *rates

	mu    sync.Mutex
	known map[string]seen // by hash
}

type seen struct {
	commissary.Credential
	at time.Time
}

// mostKnown bounds what a door remembers.
const mostKnown = 10_000

func newDoor(c *core, r Rate) *door {
	return &door{core: c, rates: newRates(r), known: map[string]seen{}}
}

// identifies says who calls. Whoever does not prove it is counted by address,
// so that guessing is slow.
func (d *door) identifies(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	at := d.now()
	c := callOf(ctx)
	hash, err := credentialOf(ctx)
	var good commissary.Credential
	if err == nil {
		good, err = d.find(ctx, hash, at)
	}
	if err != nil {
		if commissary.KindOf(err) != commissary.Unproven {
			return nil, err
		}
		done, tooFast := d.rates.enter("address "+addressOf(ctx), at)
		if tooFast != nil {
			return nil, tooFast
		}
		done()
		return nil, err
	}
	c.caller, c.who, c.identity, c.credential = &good.Caller, good.Caller.Name, good.Caller.Kitchen+"/"+good.Caller.Name, good.ID
	done, tooFast := d.rates.enter(c.identity, at)
	if tooFast != nil {
		return nil, tooFast
	}
	defer done()
	return next(ctx, req)
}

// identifiesLocal is identifies where everybody may do everything.
func identifiesLocal(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	c := callOf(ctx)
	c.who, c.identity = local, local
	return next(ctx, req)
}

// refusesStreams turns away reflection and every other stream: the contract
// has none, and what watches the service asks on the admin address.
func refusesStreams(any, grpc.ServerStream, *grpc.StreamServerInfo, grpc.StreamHandler) error {
	return statusOf(commissary.Refuse(commissary.Denied, "NOT_ALLOWED", "there are no streams on this address; reflection and health are on the admin address")).Err()
}

// find returns the credential with a hash if it is good now.
func (d *door) find(ctx context.Context, hash [sha256.Size]byte, at time.Time) (commissary.Credential, error) {
	d.mu.Lock()
	s, ok := d.known[string(hash[:])]
	d.mu.Unlock()
	if !ok || at.Sub(s.at) >= recheck || at.Before(s.at) {
		err := d.store.View(ctx, func(tx commissary.Tx) (err error) {
			s.Credential, err = tx.Credentials().Find(hash[:])
			return err
		})
		if err != nil && commissary.KindOf(err) != commissary.NotFound {
			return s.Credential, err
		}
		s.at = at
		d.mu.Lock()
		switch {
		case err != nil:
			delete(d.known, string(hash[:]))
		case len(d.known) >= mostKnown:
			clear(d.known)
			fallthrough
		default:
			d.known[string(hash[:])] = s
		}
		d.mu.Unlock()
		if err != nil {
			return s.Credential, unproven()
		}
	}
	if !at.Before(s.Ends) {
		return s.Credential, unproven()
	}
	return s.Credential, nil
}

func unproven() error {
	return commissary.Refuse(commissary.Unproven, "CREDENTIAL_REFUSED",
		"the credential is missing, unknown, expired or revoked; ask the owner of the kitchen for a fresh one")
}

// credentialOf returns the hash of the token that a call carries, or else of
// the client's certificate, which the handshake has verified.
func credentialOf(ctx context.Context) (hash [sha256.Size]byte, err error) {
	given := metadata.ValueFromIncomingContext(ctx, "authorization")
	if len(given) == 1 {
		scheme, token, ok := strings.Cut(given[0], " ")
		if ok && strings.EqualFold(scheme, "bearer") && token != "" {
			return sha256.Sum256([]byte(token)), nil
		}
	}
	if cert := certificateOf(ctx); cert != nil && len(given) == 0 {
		return sha256.Sum256(cert.Raw), nil
	}
	return hash, unproven()
}

func certificateOf(ctx context.Context) *x509.Certificate {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return nil
	}
	info, ok := p.AuthInfo.(credentials.TLSInfo)
	if !ok || len(info.State.VerifiedChains) == 0 {
		return nil
	}
	return info.State.VerifiedChains[0][0]
}

// addressOf is the machine that calls.
func addressOf(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return ""
	}
	host, _, err := net.SplitHostPort(p.Addr.String())
	if err != nil {
		return p.Addr.String()
	}
	return host
}
