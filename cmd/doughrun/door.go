package main

import (
	"context"
	"fmt"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"doughrun/commissary"
	"doughrun/config/keys"
)

// credentials returns how the service is reached: over TLS, with a token or
// certificate, where an authority is set; in the clear on this machine only.
func (j *job) credentials() ([]grpc.DialOption, error) {
	s := j.settings
	if s.Authority == "" {
		switch {
		case s.Token != "" || s.Cert != "" || s.Key != "":
			return nil, unsafe("a token or certificate is only shown to a service that proves itself: set authority to the file with the certificate of its authority")
		case !onThisMachine(s.Address):
			return nil, unsafe("%s is not on this machine, and beyond it the service is reached over TLS only: set authority to the file with the certificate of its authority", s.Address)
		}
		return []grpc.DialOption{grpc.WithTransportCredentials(insecure.NewCredentials())}, nil
	}
	c, err := keys.Client(s.Authority, s.Cert, s.Key, time.Now())
	if err != nil {
		return nil, unsafe("%v", err)
	}
	options := []grpc.DialOption{grpc.WithTransportCredentials(credentials.NewTLS(c))}
	if s.Token != "" {
		token, err := keys.ReadToken(s.Token)
		if err != nil {
			return nil, unsafe("%v", err)
		}
		options = append(options, grpc.WithPerRPCCredentials(bearer(token)))
	}
	return options, nil
}

func unsafe(format string, args ...any) error {
	return &failure{exitUsage, commissary.Refuse(commissary.Invalid, "UNSAFE", format, args...)}
}

// onThisMachine reports whether an address names this machine by number or as localhost.
func onThisMachine(address string) bool {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return true // what cannot be dialled is told where it is dialled
	}
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// bearer is a token as it rides on every call, over TLS only.
type bearer string

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(b)}, nil
}

func (b bearer) RequireTransportSecurity() bool { return true }

// Format keeps the token out of everything printed.
func (b bearer) Format(f fmt.State, _ rune) { fmt.Fprint(f, "a token") }
