package server

import (
	"context"
	"sync"

	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
)

// memory keeps answers for as long as nothing changes in the kitchen they are
// of: at four in the morning everybody reads the same plan.
type memory struct {
	mu      sync.Mutex
	answers map[string]remembered // by call and request
	size    int                   // of all answers, in bytes as they are sent
}

type remembered struct {
	answer proto.Message // nobody changes it
	last   int64         // the kitchen's newest change when it was given
	size   int
}

// mostRemembered bounds the size of a memory, in bytes.
const mostRemembered = 32 << 20

func newMemory() *memory { return &memory{answers: map[string]remembered{}} }

func (m *memory) get(key string, last int64) proto.Message {
	m.mu.Lock()
	defer m.mu.Unlock()
	if r := m.answers[key]; r.last == last {
		return r.answer
	}
	return nil
}

func (m *memory) put(key string, last int64, answer proto.Message) {
	r := remembered{answer, last, len(key) + proto.Size(answer)}
	if r.size > mostRemembered {
		return
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	m.size += r.size - m.answers[key].size
	if m.size > mostRemembered {
		clear(m.answers)
		m.size = r.size
	}
	m.answers[key] = r
}

// answered is a read whose answer rests on nothing but the request and the facts
// of one kitchen: neither on the time nor on who asks. f may be spared.
func answered[A proto.Message](ctx context.Context, c *core, kitchen string, req proto.Message, f func(tx commissary.Tx) (A, error)) (answer A, err error) {
	asked, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return answer, err
	}
	key := methodOf(ctx) + " " + string(asked)
	err = c.store.View(ctx, func(tx commissary.Tx) error {
		last, err := tx.Changes(kitchen).Last()
		if err != nil {
			return err
		}
		if kept := c.memory.get(key, last); kept != nil {
			answer = kept.(A)
			return nil
		}
		if answer, err = f(tx); err == nil {
			c.memory.put(key, last, answer)
		}
		return err
	})
	return answer, err
}
