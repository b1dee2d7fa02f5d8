package commissary

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"doughrun/commissary/quantity"
)

// Lot is what really came out of a batch, or was counted in. Its quantity is
// the sum of its movements; Pieces and Mass are what is on hand where the lot
// was read from the store.
type Lot struct {
	Code    string
	Item    string          // balls and packs
	Formula string          // always set; preferments have no item
	Pieces  quantity.Pieces // on hand, of an item
	Mass    quantity.Mass   // on hand, of a preferment
	Made    time.Time       // end of mixing: age zero
	Place   string          // kitchen, or a shop id
	Batch   string          // empty for a counted-in lot
	Held    string          // why it must not be used; empty: free
}

// MovementKind says why a lot's quantity changed.
type MovementKind string

// The kinds. Further ones come with the verbs that make them.
const (
	Made    MovementKind = "MADE"
	Counted MovementKind = "COUNTED"
	Used    MovementKind = "USED"   // a preferment or prep that went into a batch
	Picked  MovementKind = "PICKED" // released to a run
)

// Movement is one change of a lot's quantity. Movements are appended, never changed.
type Movement struct {
	Lot    string
	Kind   MovementKind
	Pieces quantity.Pieces // signed
	Mass   quantity.Mass   // signed
	At     time.Time
	By     string
	Ref    string // the batch, run or count it belongs to
}

// LotCode returns the code of the lot that a batch leaves of the n-th thing it
// makes, counted from 1; 0 stands for the batch itself where it makes no item.
// It reads 20261126-03-1G: the batch, a dash, the number, and a check
// character over the letters and digits before it (ISO 7064, MOD 37,36), which
// finds every single wrong character and nearly every swap of two neighbours.
func LotCode(batch string, n int) string {
	code := batch + "-" + strconv.Itoa(n)
	return code + string(lotDigits[lotCheck(code)])
}

// Misread reports whether a code looks like one that LotCode made but is not:
// somebody mistyped it. Codes of any other form are never misread.
func Misread(code string) bool {
	return lotForm.MatchString(code) && lotDigits[lotCheck(code[:len(code)-1])] != code[len(code)-1]
}

var lotForm = regexp.MustCompile(`^[0-9]{8}-[0-9]{2,4}-[0-9]+[0-9A-Z]$`)

// lotDigits are the characters a check runs over, by value.
const lotDigits = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"

// lotCheck returns the value of the check character; dashes are passed over.
func lotCheck(code string) int {
	const m = len(lotDigits)
	p := m
	for i := range len(code) {
		if v := strings.IndexByte(lotDigits, code[i]); v >= 0 {
			s := (p + v) % m
			if s == 0 {
				s = m
			}
			p = s * 2 % (m + 1)
		}
	}
	return (m + 1 - p) % m
}
