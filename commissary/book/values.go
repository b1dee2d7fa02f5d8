package book

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

var namePattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// name reads the short name of an entry.
func name(s string) (string, error) {
	if len(s) > 40 || !namePattern.MatchString(s) {
		return "", fmt.Errorf("%q is not a short name; use up to 40 lower-case letters, digits and single dashes, for example \"big-mixer\"", show(s))
	}
	return s, nil
}

func words(s string) (string, error) { return s, nil }

var wordPattern = regexp.MustCompile(`^[a-z0-9]+(_[a-z0-9]+)*$`)

// word reads a term that another room knows, such as q10_bread.
func word(s string) (string, error) {
	if len(s) > 40 || !wordPattern.MatchString(s) {
		return "", fmt.Errorf("%q is not one word of lower-case letters, digits and single underscores", show(s))
	}
	return s, nil
}

// yes reads yes or no.
func yes(s string) (bool, error) {
	switch s {
	case "yes", "true":
		return true, nil
	case "no", "false":
		return false, nil
	}
	return false, fmt.Errorf("%q is neither yes nor no; write yes or no", show(s))
}

// oneOf reads one of a few words.
func oneOf[T ~string](all ...T) func(string) (T, error) {
	return func(s string) (T, error) {
		if slices.Contains(all, T(s)) {
			return T(s), nil
		}
		list := make([]string, len(all))
		for i, v := range all {
			list[i] = string(v)
		}
		return "", fmt.Errorf("%q is unknown; write one of %s", show(s), strings.Join(list, ", "))
	}
}

// whole reads a whole number within bounds.
func whole(least, most int64) func(string) (int64, error) {
	return func(s string) (int64, error) {
		v, err := quantity.ParsePieces(s)
		if err != nil || int64(v) < least || int64(v) > most {
			return 0, fmt.Errorf("%q is not a whole number from %d to %d", show(s), least, most)
		}
		return int64(v), nil
	}
}

// above refuses zero.
func above[T ~int64](parse func(string) (T, error)) func(string) (T, error) {
	return func(s string) (T, error) {
		if strings.HasPrefix(s, "-") {
			return 0, fmt.Errorf("%q is below zero; it must be above", show(s))
		}
		v, err := parse(s)
		if err == nil && v <= 0 {
			err = fmt.Errorf("%q is too small; it must be above zero", show(s))
		}
		return v, err
	}
}

// upTo refuses shares above most.
func upTo(most quantity.PPM) func(string) (quantity.PPM, error) {
	return func(s string) (quantity.PPM, error) {
		v, err := quantity.ParsePPM(s)
		if err == nil && v > most {
			err = fmt.Errorf("%q is too much; at most %v", show(s), most)
		}
		return v, err
	}
}

// kitchenTemp reads a temperature between a freezer and an oven.
func kitchenTemp(least, most quantity.Temp) func(string) (quantity.Temp, error) {
	return func(s string) (quantity.Temp, error) {
		v, err := quantity.ParseTemp(s)
		if err == nil && (v < least || v > most) {
			err = fmt.Errorf("%q is not between %v and %v", show(s), least, most)
		}
		return v, err
	}
}

// degrees reads a difference of temperatures: 18 °F are 10 °C.
func degrees(s string) (quantity.Temp, error) {
	v, err := quantity.ParseTempDifference(s)
	if err == nil && (v < 0 || v > 60*quantity.Degree) {
		err = fmt.Errorf("%q is not between 0 and 60 °C of warming", show(s))
	}
	return v, err
}

// money reads an amount with up to two decimals, in minor units.
func money(s string) (int64, error) {
	whole, cents, _ := strings.Cut(s, ".")
	v, err := quantity.ParsePieces(whole + (cents + "00")[:2])
	if err != nil || len(cents) > 2 || whole == "" || strings.HasSuffix(s, ".") {
		return 0, fmt.Errorf("%q is not an amount of money; write for example \"4.50\"", show(s))
	}
	return int64(v), nil
}

// volumeUnits are the units of volume. The US gallon is 3.785411784 L exactly,
// the quart a quarter of it (NIST Handbook 44, Appendix C).
var volumeUnits = []struct {
	name string
	size int64 // in millionths of a millilitre
}{{"ml", 1_000_000}, {"L", 1_000_000_000}, {"l", 1_000_000_000}, {"gal", 3_785_411_784}, {"qt", 946_352_946}}

// volume reads a volume in millilitres.
func volume(s string) (int64, error) {
	for _, u := range volumeUnits {
		number, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		// Thousandths of the unit, by way of grams.
		if m, err := quantity.ParseMass(strings.TrimSpace(number) + " g"); err == nil && m <= 100_000*quantity.Gram && m > 0 {
			if v, err := quantity.MulDiv(int64(m), u.size, 1_000_000_000, quantity.Nearest); err == nil && v > 0 {
				return v, nil
			}
		}
	}
	return 0, fmt.Errorf("%q is not a volume; write for example \"60 L\" or \"15 gal\"", show(s))
}

// gtin reads a GS1 trade item number of 8, 12, 13 or 14 digits by its check
// digit (GS1 General Specifications, section 7.9: weights 3 and 1 in turn
// from the digit before the check digit).
func gtin(s string) (string, error) {
	sum, weight := 0, 1
	ok := len(s) == 8 || len(s) >= 12 && len(s) <= 14
	for i := len(s) - 1; ok && i >= 0; i-- {
		ok = s[i] >= '0' && s[i] <= '9'
		sum += int(s[i]-'0') * weight
		weight = 4 - weight
	}
	if !ok || sum%10 != 0 {
		return "", fmt.Errorf("%q is not a GTIN: 8, 12, 13 or 14 digits with a right check digit", show(s))
	}
	return s, nil
}

// show cuts what somebody wrote to a length that fits a message.
func show(s string) string {
	if utf8.RuneCountInString(s) <= 60 {
		return s
	}
	return string([]rune(s)[:57]) + "..."
}

// nearest returns the known word that got is most likely a slip of, empty
// when none is near.
func nearest(got string, known []string) string {
	best, near := "", 3
	if len(got) < 5 {
		near = 2
	}
	if len(got) == 0 || len(got) > 60 {
		return ""
	}
	for _, k := range known {
		if d := distance(got, k); d < near || d == near && best == "" {
			best, near = k, d
		}
	}
	return best
}

// distance is the number of letters to insert, delete or exchange to turn a into b.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}

// weekdays reads "every day", or days and ranges of days with commas between.
func weekdays(s string) (civil.Weekdays, error) {
	if s == "every day" {
		return civil.EveryDay, nil
	}
	var all civil.Weekdays
	for part := range strings.SplitSeq(s, ",") {
		from, to, ranged := strings.Cut(strings.TrimSpace(part), "-")
		first, err := civil.ParseWeekday(strings.TrimSpace(from))
		last := first
		if err == nil && ranged {
			last, err = civil.ParseWeekday(strings.TrimSpace(to))
		}
		if err != nil {
			return 0, fmt.Errorf("%w, a range such as Mon-Fri, or \"every day\"", err)
		}
		for d := first; ; d = (d + 1) % 7 {
			all = all.With(d)
			if d == last {
				break
			}
		}
	}
	return all, nil
}
