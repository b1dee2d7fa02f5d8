package server

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"strings"

	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
)

const (
	usualPage = 100
	mostPage  = 500
)

// listRequest is a request for a page of a list.
type listRequest interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// page reads one page of a list for a caller: read returns up to limit rows
// that follow the key, "" for the first page, and key names a row. The token
// holds where the next page begins, for this caller and these filters only.
func page[R any](ctx context.Context, req listRequest, filters []string, read func(after string, limit int) ([]R, error), key func(R) string) (rows []R, next string, err error) {
	size := int(req.GetPageSize())
	if size == 0 {
		size = usualPage
	}
	size = min(size, mostPage)
	seal := sealOf(append([]string{identityOf(ctx), methodOf(ctx)}, filters...))
	after := ""
	if token := req.GetPageToken(); token != "" {
		b, err := base64.RawURLEncoding.DecodeString(token)
		if err != nil || len(b) < len(seal) || string(b[:len(seal)]) != seal {
			e := commissary.Refuse(commissary.Invalid, "PAGE_TOKEN_INVALID", "the page token belongs to another list; leave it out to begin with the first page")
			e.Faults = []commissary.Fault{{Where: "page_token", Text: "it was not returned for this list"}}
			return nil, "", e
		}
		after = string(b[len(seal):])
	}
	// One row more than fits tells whether there is another page.
	rows, err = read(after, size+1)
	if err != nil || len(rows) <= size {
		return rows, "", err
	}
	rows = rows[:size]
	return rows, base64.RawURLEncoding.EncodeToString([]byte(seal + key(rows[size-1]))), nil
}

func sealOf(parts []string) string {
	sum := sha256.Sum256([]byte(strings.Join(parts, "\x00")))
	return string(sum[:8])
}
