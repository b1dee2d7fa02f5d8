package commissary

import (
	"regexp"
	"strconv"
	"strings"
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Lot is what really came out of a batch, was counted in, or was bought in.
// Its quantity at a place is the sum of its movements there; Pieces and Mass
// are what is at Place where the lot was read from the store.
type Lot struct {
	Code       string
	Item       string          // balls and packs
	Formula    string          // of what was made; preferments have no item
	Ingredient string          // of what was bought in, which has neither item nor formula
	Pieces     quantity.Pieces // at Place, of an item
	Mass       quantity.Mass   // at Place, of a preferment or an ingredient
	Made       time.Time       // end of mixing: age zero; of what was bought in, when it was received first
	Place      string          // AtKitchen, AtReturns, a van's (see OnVan), or a shop id
	Batch      string          // empty for a counted-in lot
	Held       string          // why it must not be used; empty: free
	// Off is how much warmer than its formula's target the dough came out;
	// 0 where it was not measured. It moves when the lot is ready.
	Off quantity.Temp
	// NotAfter is the end of the earliest use of what went into it, which it
	// must not outlive; zero: no limit.
	NotAfter time.Time
	Receipt  Receipt // of what was bought in
}

// Receipt is what was noted when an ingredient lot was received.
type Receipt struct {
	Supplier  string        // free text
	Printed   string        // the lot code as the supplier prints it
	Document  string        // delivery note; empty: none
	UseBy     civil.Date    // zero: none is printed
	Probed    bool          // Temp was measured
	Temp      quantity.Temp // of the goods
	Allergens []Allergen    // as declared on the pack
	Differs   string        // how they differ from the book, which blocks use; empty: not, or settled
	Settled   string        // who settled the difference and how; empty: nobody
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

// IngredientLotCode returns the code under which a bought-in lot is kept: the
// ingredient, a dot, and the supplier's code, of which only letters, digits
// and dashes stay.
func IngredientLotCode(ingredient, printed string) string {
	return ingredient + "." + strings.Trim(notInCodes.ReplaceAllString(printed, "-"), "-")
}

var notInCodes = regexp.MustCompile(`[^A-Za-z0-9]+`)
