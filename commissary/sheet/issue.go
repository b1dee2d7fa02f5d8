package sheet

import (
	"fmt"
	"strings"

	v1 "doughrun/proto/doughrun/v1"
)

// Issue is what to bring from the dry store and the cooler for a day's batches.
func Issue(m *v1.GetIssueSheetResponse) string {
	p := newPage(m.GetSite(), "ISSUE SHEET")
	if m.GetPlanRevision() > 0 {
		p.put(0, fmt.Sprintf("For plan revision %d.", m.GetPlanRevision()))
	} else {
		p.put(0, "For the draft: no plan is released yet.")
	}
	for _, part := range []struct {
		title   string
		chilled bool
	}{{"FROM THE DRY STORE", false}, {"FROM THE COOLER", true}} {
		var rows [][]string
		for _, l := range m.GetLines() {
			if l.GetChilled() == part.chilled {
				rows = append(rows, p.issueRow(l))
			}
		}
		if len(rows) == 0 {
			continue
		}
		p.section(part.title, "whole packs")
		p.table(0, []column{{"", 3, false}, {"", 22, false}, {"NEEDED", 9, true}, {"BRING", 14, true}, {"THERE", 9, true}, {"", 18, false}}, rows)
	}
	if len(m.GetLines()) == 0 {
		p.put(0, "Nothing.")
	}
	p.put(0, "! Heavy packs: two people or a trolley.")
	return p.String()
}

func (p *page) issueRow(l *v1.IssueLine) []string {
	bring := nothing
	if l.GetPackMassMg() > 0 {
		bring = fmt.Sprintf("%d x %s", l.GetPacks(), p.mass(l.GetPackMassMg()))
	}
	there, mark := nothing, ""
	if l.GetCounted() {
		there = p.about(l.GetOnHandMassMg())
	}
	var marks []string
	if l.GetShortMassMg() > 0 {
		marks = append(marks, "SHORT "+p.about(l.GetShortMassMg()))
	} else if l.GetLow() {
		marks = append(marks, "LOW")
	}
	if l.GetBlockedMassMg() > 0 {
		marks = append(marks, "blocked "+p.about(l.GetBlockedMassMg()))
	}
	mark = strings.Join(marks, ", ")
	return []string{"[ ]", either(l.GetIngredientName(), l.GetIngredientId()), p.about(l.GetNeededMassMg()), bring, there, mark}
}

// Surplus is what a dispatch leaves, and what could become of it.
func Surplus(m *v1.SuggestSurplusResponse) string {
	p := newPage(m.GetSite(), "SURPLUS")
	var rows [][]string
	for _, s := range m.GetSurpluses() {
		what := "no shop can use it in its window"
		switch shop := either(s.GetShopName(), s.GetShopId()); {
		case s.GetBakeDate() != "":
			what = "keep for " + shop + ", " + day(s.GetBakeDate())
		case s.GetShopId() != "":
			what = "offer to " + shop
		}
		rows = append(rows, []string{s.GetLotCode(), either(s.GetItemName(), s.GetItemId()), fmt.Sprint(s.GetPieces()), what})
	}
	p.table(0, []column{{"LOT", 22, false}, {"ITEM", 18, false}, {"PIECES", 6, true}, {"SUGGESTION", 31, false}}, rows)
	if len(rows) == 0 {
		p.put(0, "None.")
	}
	return p.String()
}
