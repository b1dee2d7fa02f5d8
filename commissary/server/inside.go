package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// Inside is a way to the service's reads from within its own process, with no
// network and no question who is calling: for the papers that the service
// writes by itself. It refuses every call that changes something.
func (s *Server) Inside() grpc.ClientConnInterface {
	in := inside{}
	s.core.register(in)
	return in
}

// inside holds the handlers by the full names of their methods.
type inside map[string]func(ctx context.Context, decode func(any) error) (any, error)

func (in inside) RegisterService(d *grpc.ServiceDesc, impl any) {
	for _, m := range d.Methods {
		in["/"+d.ServiceName+"/"+m.MethodName] = func(ctx context.Context, decode func(any) error) (any, error) {
			return m.Handler(impl, ctx, decode, nil)
		}
	}
}

func (in inside) Invoke(ctx context.Context, method string, args, reply any, _ ...grpc.CallOption) error {
	handle, ok := in[method]
	request, ok2 := args.(proto.Message)
	into, ok3 := reply.(proto.Message)
	if !ok || !ok2 || !ok3 {
		return fmt.Errorf("there is no call %s inside", method)
	}
	if name := method[strings.LastIndexByte(method, '/')+1:]; !strings.HasPrefix(name, "Get") && !strings.HasPrefix(name, "List") {
		return fmt.Errorf("%s changes something; inside there are reads only", name)
	}
	answer, err := handle(ctx, func(m any) error {
		proto.Merge(m.(proto.Message), request)
		return nil
	})
	if err != nil {
		return err
	}
	proto.Merge(into, answer.(proto.Message))
	return nil
}

func (in inside) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, errors.New("there are no streams inside")
}
