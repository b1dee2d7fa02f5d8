package commissary

import (
	"errors"
	"fmt"
	"time"
)

// Kind says what sort of refusal an error is. One table in the server turns
// kinds into status codes.
type Kind int8

// The kinds. The zero Kind is Internal: an error nobody foresaw.
const (
	Internal     Kind = iota
	Invalid           // the request is wrong whatever the state
	NotFound          // nothing by that name for this caller
	Conflict          // somebody else changed it first: read again and decide again
	Precondition      // the state does not allow it
	Unproven          // it is not shown who calls
	Denied            // the caller may not
	Unavailable       // try again later
	Exhausted         // a limit is reached
	kinds             // how many there are
)

// Kinds returns every kind, for tables that must be complete.
func Kinds() []Kind {
	all := make([]Kind, kinds)
	for i := range all {
		all[i] = Kind(i)
	}
	return all
}

// Error is a refusal: a kind, a stable reason for programs, and a sentence for
// people that says what is wrong, where, and what to do.
type Error struct {
	Kind   Kind
	Reason string // for example "NIGHT_CLOSED"
	Text   string
	Faults []Fault           // for Invalid: field by field
	Meta   map[string]string // values the text shows
	Retry  time.Duration     // for Exhausted: when it may work again; 0 when waiting does not help
	Cause  error             // never shown
}

// Fault is one field, or one line of a file, that is wrong.
type Fault struct {
	Where string // field path, or file:line
	Text  string
}

// Error returns the sentence for people, with its faults.
func (e *Error) Error() string {
	s := e.Text
	for _, f := range e.Faults {
		s += "\n  " + f.Where + ": " + f.Text
	}
	return s
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Refuse returns an Error without faults.
func Refuse(kind Kind, reason, format string, args ...any) *Error {
	return &Error{Kind: kind, Reason: reason, Text: fmt.Sprintf(format, args...)}
}

// KindOf returns the kind of err, Internal when it has none.
func KindOf(err error) Kind {
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Internal
}
