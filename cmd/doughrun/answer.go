package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// answer is what a calculator found, with the arithmetic a baker can follow.
type answer struct {
	Question string   `json:"question"`
	Method   string   `json:"method,omitempty"`
	Working  []string `json:"working"`
	Result   any      `json:"result"` // quantities as whole numbers, the unit in the name
	Notes    []string `json:"notes,omitempty"`

	found []string // the result in the kitchen's units
}

func (a *answer) work(format string, args ...any) {
	a.Working = append(a.Working, fmt.Sprintf(format, args...))
}

func (a *answer) say(format string, args ...any) {
	a.found = append(a.found, fmt.Sprintf(format, args...))
}

// answer writes an answer.
func (j *job) answer(a answer) error {
	var b bytes.Buffer
	if j.json {
		e := json.NewEncoder(&b)
		e.SetIndent("", "  ")
		e.SetEscapeHTML(false)
		if err := e.Encode(a); err != nil {
			return err
		}
		return j.write(b.Bytes())
	}
	fmt.Fprintln(&b, a.Question)
	if a.Method != "" {
		fmt.Fprintln(&b, "method:", a.Method)
	}
	for _, line := range a.Working {
		fmt.Fprintln(&b, strings.TrimRight("  "+line, " "))
	}
	for _, line := range a.found {
		fmt.Fprintln(&b, line)
	}
	for _, line := range a.Notes {
		fmt.Fprintln(&b, "! "+line)
	}
	return j.write(b.Bytes())
}

// bookFile is the kitchen book that a calculator reads.
type bookFile struct {
	name string
	read bool
	commissary.Book
	units quantity.System
}

func (f *bookFile) flag(cmd *cobra.Command, usage string) {
	cmd.Flags().StringVar(&f.name, "kitchen", "", usage)
}

// load reads the book, if one is named, and settles the units.
func (f *bookFile) load(j *job) error {
	if f.name != "" {
		text, err := j.readBook(f.name)
		if err != nil {
			return err
		}
		if f.Book, err = wholeBook(f.name, text); err != nil {
			return err
		}
		f.read, f.units = true, f.Book.Kitchen.Units
	}
	switch j.settings.Units {
	case "metric":
		f.units = quantity.Metric
	case "us":
		f.units = quantity.US
	}
	// Texts with numbers in them are made in the book's units.
	f.Book.Kitchen.Units = f.units
	return nil
}

// named finds an entry of the book.
func named[T any](list []T, id, noun string, of func(T) string) (T, error) {
	i := slices.IndexFunc(list, func(x T) bool { return of(x) == id })
	if i >= 0 {
		return list[i], nil
	}
	var ids []string
	for _, x := range list {
		ids = append(ids, of(x))
	}
	var none T
	return none, commissary.Refuse(commissary.NotFound, "NAME_UNKNOWN", "there is no %s %q in the book; there are %s", noun, id, strings.Join(ids, ", "))
}

func (f *bookFile) formula(id string) (commissary.Formula, error) {
	return named(f.Formulas, id, "formula", func(x commissary.Formula) string { return x.ID })
}

func (f *bookFile) vessel(id string) (commissary.Vessel, error) {
	return named(f.Vessels, id, "vessel", func(x commissary.Vessel) string { return x.ID })
}

func (f *bookFile) item(id string) (commissary.Item, error) {
	return named(f.Items, id, "item", func(x commissary.Item) string { return x.ID })
}

// badFlag refuses what a flag was given.
func badFlag(flag string, err error) error {
	return commissary.Refuse(commissary.Invalid, "FLAG_INVALID", "--%s: %v", flag, err)
}

// given reads a flag; an empty one is absent.
func given[T any](flag, s string, parse func(string) (T, error)) (v T, ok bool, err error) {
	if s == "" {
		return v, false, nil
	}
	if v, err = parse(s); err != nil {
		return v, false, badFlag(flag, err)
	}
	return v, true, nil
}

// near shows a mass as closely as the arithmetic is followed by hand.
func near(u quantity.System, m quantity.Mass) string {
	step := quantity.Gram / 100
	if m >= quantity.Kilogram {
		step = quantity.Gram
	}
	return u.Mass(m.RoundTo(step, quantity.Nearest))
}
