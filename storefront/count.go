package storefront

import (
	"fmt"
	"strconv"
	"strings"

	"doughrun/commissary/civil"
)

// mostCounted bounds what anybody counts at closing time.
const mostCounted = 100_000

// Heap is what is left of an item under one day label.
type Heap struct {
	Made   civil.Date // zero: the label was not said
	Pieces int64
}

// ReadCount reads a closing count as people say it: "29", "3 boxes + 5",
// "3b+5", "2.5 boxes" where that is whole, and by day label "Wed 3 boxes + 5,
// Thu 2 boxes" or "25: 3b, 26: 12". A weekday is the last one up to the night.
// perBox is how many pieces a full box holds; "none" is nothing left.
func ReadCount(s string, perBox int64, night civil.Date) ([]Heap, error) {
	perBox = max(perBox, 1)
	text := strings.ToLower(strings.TrimSpace(s))
	if text == "none" || text == "-" {
		return nil, nil
	}
	var heaps []Heap
	for part := range strings.SplitSeq(text, ",") {
		h, err := readHeap(part, perBox, night)
		if err != nil {
			return nil, fmt.Errorf("%q is not a count: %w; write for example \"3 boxes + 5\", or \"Wed 3 boxes + 5, Thu 12\"", s, err)
		}
		for _, other := range heaps {
			if other.Made == h.Made {
				return nil, fmt.Errorf("%q names one label twice; write it once, with the sum", s)
			}
		}
		heaps = append(heaps, h)
	}
	return heaps, nil
}

func readHeap(part string, perBox int64, night civil.Date) (h Heap, err error) {
	words := strings.Fields(strings.ReplaceAll(strings.ReplaceAll(part, "+", " + "), ":", " : "))
	if len(words) == 0 {
		return h, fmt.Errorf("there is nothing between the commas")
	}
	made, labelled, err := readLabel(words[0], len(words) > 1 && words[1] == ":", night)
	if err != nil {
		return h, err
	}
	if labelled {
		h.Made, words = made, words[1:]
		if len(words) > 0 && words[0] == ":" {
			words = words[1:]
		}
	}
	want := true // a number comes next
	for len(words) > 0 {
		if words[0] == "+" {
			if want {
				return h, fmt.Errorf("a plus stands alone")
			}
			want, words = true, words[1:]
			continue
		}
		if !want {
			return h, fmt.Errorf("%q is one word too many", words[0])
		}
		n, rest, err := readPieces(words, perBox)
		if err != nil {
			return h, err
		}
		h.Pieces += n
		if h.Pieces > mostCounted {
			return h, fmt.Errorf("more than %d pieces are not left anywhere", mostCounted)
		}
		want, words = false, rest
	}
	if want {
		return h, fmt.Errorf("a number is missing")
	}
	return h, nil
}

// readPieces reads one term: a number, and boxes where it says so.
func readPieces(words []string, perBox int64) (int64, []string, error) {
	number, unit := words[0], ""
	if i := strings.IndexFunc(number, func(r rune) bool { return (r < '0' || r > '9') && r != '.' }); i >= 0 {
		number, unit = number[:i], number[i:]
	}
	words = words[1:]
	if unit == "" && len(words) > 0 && words[0] != "+" {
		unit, words = words[0], words[1:]
	}
	whole, fraction, half := strings.Cut(number, ".")
	n, err := strconv.ParseInt(whole, 10, 32)
	if err != nil || strings.HasPrefix(whole, "+") || half && fraction != "5" && fraction != "0" {
		return 0, nil, fmt.Errorf("%q is not a number", number+unit)
	}
	switch unit {
	case "b", "box", "boxes":
		twice := 2 * n * perBox
		if half && fraction == "5" {
			twice += perBox
		}
		if twice%2 != 0 {
			return 0, nil, fmt.Errorf("half a box of %d is not whole pieces", perBox)
		}
		return twice / 2, words, nil
	case "", "pc", "pcs", "piece", "pieces", "ball", "balls", "pack", "packs":
		if half {
			return 0, nil, fmt.Errorf("pieces are counted whole")
		}
		return n, words, nil
	}
	return 0, nil, fmt.Errorf("%q is neither boxes nor pieces", unit)
}

// readLabel reads a day label: a weekday, a date, or the day of the month
// where a colon follows.
func readLabel(word string, colon bool, night civil.Date) (civil.Date, bool, error) {
	if d, err := civil.ParseDate(word); err == nil {
		return d, true, nil
	}
	if len(word) >= 3 && word[0] >= 'a' && word[0] <= 'z' {
		if day, err := civil.ParseWeekday(strings.ToUpper(word[:1]) + word[1:3]); err == nil && strings.HasPrefix(strings.ToLower(day.String()), word) {
			back := (int(night.Weekday()-day) + 7) % 7
			return night.AddDays(-back), true, nil
		}
	}
	if !colon {
		return civil.Date{}, false, nil
	}
	n, err := strconv.Atoi(word)
	if err != nil || n < 1 || n > 31 {
		return civil.Date{}, false, fmt.Errorf("%q is not a day label", word)
	}
	for back := range 28 {
		if d := night.AddDays(-back); d.Day == n {
			return d, true, nil
		}
	}
	return civil.Date{}, false, fmt.Errorf("the %d. lies too far back", n)
}
