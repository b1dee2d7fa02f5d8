// Package proto holds the contract, doughrun/v1, and regenerates the Go beside it.
//
// `go generate ./...` needs no network once the modules are downloaded: the compiler is a tool of .tools/go.mod, kept
// apart so that its many requirements do not choose the versions we build with; the two plugins are tools of our own go.mod.
package proto

//go:generate go run -C ../.tools ./validateproto ../proto/buf/validate/validate.proto
//go:generate go tool -modfile=../.tools/go.mod buf generate --template buf.gen.yaml
