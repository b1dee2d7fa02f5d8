package trace

import (
	"fmt"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// CheckDigit returns the check digit of a GS1 key from its other digits: the
// weighted sum with 3, 1, 3, 1, … from the right is brought up to a multiple
// of ten (GS1 General Specifications, section 7.9, as published by GS1 at
// gs1.org, "Check digit calculator").
func CheckDigit(digits string) (byte, error) {
	sum := 0
	for i := range len(digits) {
		c := digits[len(digits)-1-i]
		if c < '0' || c > '9' {
			return 0, gs1Refused("%q has something else than digits", digits)
		}
		sum += int(c-'0') * (3 - 2*(i%2))
	}
	if digits == "" {
		return 0, gs1Refused("there are no digits")
	}
	return byte('0' + (10-sum%10)%10), nil
}

// CheckKey refuses a GTIN (8, 12, 13 or 14 digits) or SSCC (18 digits) whose
// check digit is wrong.
func CheckKey(key string) error {
	switch len(key) {
	case 8, 12, 13, 14, 18:
	default:
		return gs1Refused("%q is neither a GTIN of 8, 12, 13 or 14 digits nor an SSCC of 18", key)
	}
	want, err := CheckDigit(key[:len(key)-1])
	if err == nil && key[len(key)-1] != want {
		err = gs1Refused("the last digit of %q should be %c; read it again", key, want)
	}
	return err
}

// Label is a GS1 element string.
type Label struct {
	Text string // for people, identifiers in brackets
	Data string // for a symbol: FNC1 as the group separator, after elements of no fixed length
}

// groupEnd separates an element of no fixed length from the next one.
const groupEnd = "\x1d"

// LotLabel returns the label of a lot: product (01), packed on (13), lot (10),
// and its last day: as best before (15) for raw dough, whose dates are about
// quality and which never carries an expiry date (17), as (17) for a prep.
func LotLabel(kind commissary.ItemKind, gtin, lot string, packed, last civil.Date) (Label, error) {
	var l Label
	if err := l.key("01", gtin, 14); err != nil {
		return Label{}, err
	}
	l.date("13", packed)
	if kind == commissary.Ball {
		l.date("15", last)
	} else {
		l.date("17", last)
	}
	// Last, so that nothing has to separate it.
	if err := l.text("10", lot, 20); err != nil {
		return Label{}, err
	}
	return l, nil
}

// ContainerLabel returns the label of a container: its own number (00), what
// is in it (02), how many (37) and of which lot (10).
func ContainerLabel(sscc, gtin, lot string, pieces quantity.Pieces) (Label, error) {
	var l Label
	if len(sscc) != 18 {
		return l, gs1Refused("%q is no SSCC of 18 digits", sscc)
	}
	if pieces < 1 || pieces > 99_999_999 {
		return l, gs1Refused("%d pieces do not fit a container label; it takes 1 to 99999999", pieces)
	}
	if err := l.key("00", sscc, 18); err != nil {
		return Label{}, err
	}
	if err := l.key("02", gtin, 14); err != nil {
		return Label{}, err
	}
	l.add("37", fmt.Sprint(int64(pieces)))
	l.Data += groupEnd
	if err := l.text("10", lot, 20); err != nil {
		return Label{}, err
	}
	return l, nil
}

func (l *Label) add(ai, value string) {
	l.Text += "(" + ai + ")" + value
	l.Data += ai + value
}

func (l *Label) key(ai, key string, digits int) error {
	if err := CheckKey(key); err != nil {
		return err
	}
	if len(key) > digits {
		return gs1Refused("%q is longer than the %d digits of (%s)", key, digits, ai)
	}
	l.add(ai, strings.Repeat("0", digits-len(key))+key)
	return nil
}

func (l *Label) date(ai string, d civil.Date) {
	l.add(ai, fmt.Sprintf("%02d%02d%02d", d.Year%100, int(d.Month), d.Day))
}

func (l *Label) text(ai, value string, most int) error {
	if value == "" || len(value) > most || strings.ContainsFunc(value, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return gs1Refused("%q does not fit (%s), which takes 1 to %d characters without blanks", value, ai, most)
	}
	l.add(ai, value)
	return nil
}

func gs1Refused(format string, args ...any) error {
	return commissary.Refuse(commissary.Invalid, "GS1_INVALID", format, args...)
}
