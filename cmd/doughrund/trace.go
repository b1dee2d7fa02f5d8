package main

import (
	"context"
	"net"
	"net/url"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/sdk/resource"
	tracesdk "go.opentelemetry.io/otel/sdk/trace"

	"doughrun/cmd/version"
	"doughrun/config"
)

// traces sends spans to the endpoint of the settings; nil where there is none.
// What the standard's own variables say of it holds too (OTEL_TRACES_SAMPLER,
// OTEL_EXPORTER_OTLP_HEADERS and alike).
func traces(ctx context.Context, s config.Service) (*tracesdk.TracerProvider, error) {
	if s.Traces == "" {
		return nil, nil
	}
	u, err := url.Parse(s.Traces)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil {
		return nil, unprotected("trace_endpoint is no URL of the form http://127.0.0.1:4317 or https://HOST:PORT, without a password in it")
	}
	if host := u.Hostname(); u.Scheme == "http" && host != "localhost" && !net.ParseIP(host).IsLoopback() {
		return nil, unprotected("traces would go to %s in the clear; use https, or a collector on this machine", host)
	}
	exporter, err := otlptracegrpc.New(ctx, otlptracegrpc.WithEndpointURL(s.Traces))
	if err != nil {
		return nil, err
	}
	return tracesdk.NewTracerProvider(tracesdk.WithBatcher(exporter), tracesdk.WithResource(resource.NewSchemaless(
		attribute.String("service.name", "doughrund"), attribute.String("service.version", version.Get().Version)))), nil
}
