package store

import (
	"encoding/json"
	"fmt"
	"math"
	"time"

	"doughrun/commissary/civil"
)

// How values are kept in columns.

// most turns a limit into what SQL understands: 0 means no limit.
func most(limit int) int64 {
	if limit <= 0 {
		return math.MaxInt64
	}
	return int64(limit)
}

// micros is how an instant is kept.
func micros(t time.Time) any {
	if t.IsZero() {
		return nil
	}
	return t.UnixMicro()
}

// instant scans what micros keeps.
type instant struct{ to *time.Time }

func (i instant) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		*i.to = time.Time{}
	case int64:
		*i.to = time.UnixMicro(v).UTC()
	default:
		return fmt.Errorf("a %T is no instant", v)
	}
	return nil
}

// day scans a civil date.
type day struct{ to *civil.Date }

func (d day) Scan(v any) error {
	s, ok := v.(string)
	if !ok {
		return fmt.Errorf("a %T is no date", v)
	}
	return d.to.UnmarshalText([]byte(s))
}

// document scans a noun kept as JSON.
type document struct{ to any }

func (d document) Scan(v any) error {
	s, ok := v.(string)
	if !ok {
		return fmt.Errorf("a %T is no document", v)
	}
	return json.Unmarshal([]byte(s), d.to)
}

// encode writes a noun as a document.
func (t *tx) encode(noun any) (string, error) {
	b, err := json.Marshal(noun)
	if err != nil {
		return "", t.fault(err)
	}
	return string(b), nil
}

// bytes keeps an empty value apart from none, which no column takes.
func bytes(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}
