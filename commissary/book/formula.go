package book

import (
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func (r *reader) ingredients(f *fields) {
	kinds := oneOf(commissary.Flour, commissary.Water, commissary.Yeast, commissary.Salt, commissary.Other)
	f.section("ingredients", "ingredient", true, func(id string, e *fields) {
		in := commissary.Ingredient{ID: id,
			Name:       must(e, "name", "Pizza flour", words),
			Kind:       must(e, "kind", "flour", kinds),
			Scale:      e.refer("scale", "scale", false, ""),
			Strong:     read(e, "strong", yes),
			Yeast:      read(e, "yeast", oneOf("fresh", "active_dry", "instant")),
			Pack:       read(e, "pack", above(quantity.ParseMass)),
			Traced:     read(e, "traced", yes),
			Temp:       read(e, "temp", ambient),
			Chilled:    read(e, "chilled", yes),
			PricePerKg: read(e, "price_per_kg", money),
			GTIN:       read(e, "gtin", gtin)}
		in.Allergens = e.allergens()
		in.Substitutes = e.words("substitutes", "substitute")
		for _, s := range in.Substitutes {
			if s == id {
				r.fault(e.at("substitutes"), "%s is named as its own substitute; remove it", e.what)
				continue
			}
			e.ref(e.at("substitutes"), "ingredient", s)
		}
		if in.Strong && in.Kind != commissary.Flour && in.Kind != "" {
			r.fault(e.at("strong"), "%s is no flour, and only flour is strong; remove \"strong\"", e.what)
		}
		if in.Yeast != "" && in.Kind != commissary.Yeast && in.Kind != "" {
			r.fault(e.at("yeast"), "%s is no yeast, and only yeast has a type; remove \"yeast\"", e.what)
		}
		r.ingredientAt[id] = len(r.book.Ingredients)
		r.book.Ingredients = append(r.book.Ingredients, in)
	})
}

// allergens reads names that the kitchen's declarations are made from, so
// that a slip of the pen cannot drop one.
func (f *fields) allergens() []commissary.Allergen {
	var all []commissary.Allergen
	for _, n := range f.list("allergens") {
		s, ok := f.text("allergens", n)
		a := commissary.Allergen(s)
		switch {
		case !ok:
		case !a.Known():
			var known []string
			for _, k := range commissary.Allergens() {
				known = append(known, string(k))
			}
			f.r.slip(n.Line, s, known, "%s: there is no allergen %q; name the nut or cereal itself, such as \"hazelnut\" or \"wheat\"", f.what, show(s))
		case slices.Contains(all, a):
			f.r.fault(n.Line, "%s: allergen %q stands twice; keep one", f.what, s)
		default:
			all = append(all, a)
		}
	}
	return all
}

func (r *reader) formulas(f *fields) {
	kinds := oneOf(commissary.Dough, commissary.Preferment, commissary.Prep)
	f.section("formulas", "formula", true, func(id string, e *fields) {
		since := r.wrong
		if line, ok := r.names["ingredient"].line[id]; ok {
			r.fault(e.line, "%s has the name of the ingredient on line %d; give it another, since lines name both", e.what, line)
		}
		fm := commissary.Formula{ID: id,
			Name:  must(e, "name", "House dough", words),
			Kind:  must(e, "kind", "dough", kinds),
			Class: must(e, "class", "medium", name),
			Loss:  read(e, "loss", upTo(90*quantity.Percent))}
		r.mix(e, &fm)
		shares := r.lines(e, &fm)
		r.preferments(e, &fm)
		switch fm.Kind {
		case commissary.Dough:
			fm.Target = must(e, "target", "24 °C", ambient)
			fm.ColdWithin = read(e, "cold_within", above(quantity.ParseSeconds))
			fm.Sack = read(e, "sack", above(quantity.ParseMass))
			fm.Rework = read(e, "rework", upTo(50*quantity.Percent))
			e.forbid("is for preferments only", "ripe", "rise", "keep_back", "feed_within")
			e.forbid("is for preps only; a dough has a loss", "yield")
		case commissary.Preferment:
			fm.Target = must(e, "target", "22 °C", ambient)
			fm.Ripe, _ = e.window("ripe", true)
			fm.Rise = must(e, "rise", "250 %", quantity.ParsePPM)
			if fm.Rise < quantity.Whole && fm.Rise > 0 {
				r.fault(e.at("rise"), "%s: it rises to %v of its volume; write at least 100 %%", e.what, fm.Rise)
			}
			r.starter(e, &fm)
			e.forbid("is for doughs and preps only", "cold_within", "sack")
			e.forbid("is for doughs only", "rework")
			e.forbid("is for preps only; a preferment has a loss", "yield")
		case commissary.Prep:
			fm.Yield = must(e, "yield", "96 %", above(upTo(quantity.Whole)))
			fm.ColdWithin = read(e, "cold_within", above(quantity.ParseSeconds))
			e.forbid("is for doughs and preferments only", "target", "ripe", "rise", "sack", "rework", "preferments", "keep_back", "feed_within")
			e.forbid("is not used for preps, which have a yield", "loss")
		default:
			for _, key := range []string{"target", "ripe", "rise", "keep_back", "feed_within", "cold_within", "sack", "rework", "yield"} {
				e.take(key) // the kind is wrong already
			}
		}
		r.steps(e, &fm)
		fm.Cautions = e.words("cautions", "caution")
		fm.Order = e.words("order", "ingredient")
		for _, o := range fm.Order {
			if _, ok := shares[o]; !ok && !slices.ContainsFunc(fm.Preferments, func(p commissary.PrefermentShare) bool { return p.Formula == o }) {
				r.fault(e.at("order"), "%s: \"order\" names %q, which is not among its lines or preferments", e.what, o)
			}
		}
		r.formulaAt[id] = len(r.book.Formulas)
		r.book.Formulas = append(r.book.Formulas, fm)
		r.later(since, func() { r.judgeLines(e, fm, shares) })
	})
}

// starter reads what keeps a preferment alive that is fed from itself.
func (r *reader) starter(e *fields, fm *commissary.Formula) {
	fm.KeepBack = read(e, "keep_back", above(quantity.ParseMass))
	fm.FeedWithin = read(e, "feed_within", above(quantity.ParseSeconds))
	fed := slices.ContainsFunc(fm.Preferments, func(p commissary.PrefermentShare) bool { return p.Formula == fm.ID })
	switch {
	case e.has("keep_back") != e.has("feed_within"):
		r.fault(e.line, "%s: write how much is kept back and within what time it is fed again, for example keep_back: 2 kg, feed_within: 30 h; or neither", e.what)
	case e.has("keep_back") && !fed:
		r.fault(e.at("keep_back"), "%s: it is kept back, but not fed from itself; name it under its own \"preferments\" with days_before: 1", e.what)
	case e.has("feed_within") && fm.FeedWithin < fm.Ripe.Min:
		r.fault(e.at("feed_within"), "%s: it is fed within %v, but not ripe before %v", e.what, fm.FeedWithin, fm.Ripe.Min)
	}
}

func (r *reader) mix(e *fields, fm *commissary.Formula) {
	n := e.take("mix")
	if n == nil {
		e.missing("mix", "{first: 4 min, second: 6 min}")
		return
	}
	m := r.open(n, e.at("mix"), e.what+", mix")
	fm.MixFirst = must(m, "first", "4 min", quantity.ParseSeconds)
	fm.MixSecond = read(m, "second", quantity.ParseSeconds)
	m.close()
	if !m.broken && fm.MixFirst+fm.MixSecond > 12*quantity.Hour {
		r.fault(m.line, "%s: %v is longer than any mixing; at most 12 h", m.what, fm.MixFirst+fm.MixSecond)
	}
}

// lines reads the shares and returns the line of each in the file.
func (r *reader) lines(e *fields, fm *commissary.Formula) map[string]int {
	at := map[string]int{}
	n := e.take("lines")
	if n == nil {
		e.missing("lines", "{pizza-flour: 100 %, water: 62 %}")
		return at
	}
	l := r.open(n, e.at("lines"), e.what+", lines")
	if len(l.order) == 0 && !l.broken {
		r.fault(l.line, "%s: there is not a single line", l.what)
	}
	if len(l.order) > 100 {
		r.fault(l.line, "%s: %d lines; at most 100 are read", l.what, len(l.order))
		return at
	}
	for _, id := range l.order {
		if _, err := name(id); err != nil {
			r.fault(l.at(id), "%s: %v", l.what, err)
			l.take(id)
			continue
		}
		line := commissary.FormulaLine{Ingredient: id, Share: must(l, id, "2 %", above(quantity.ParsePPM))}
		at[id] = l.at(id)
		index, since := len(fm.Lines), r.wrong
		fm.Lines = append(fm.Lines, line)
		which := len(r.book.Formulas)
		if r.wrong == since {
			r.checks = append(r.checks, func() { r.resolve(l, id, which, index) })
		}
	}
	return at
}

// resolve finds out whether a line names an ingredient or a made prep.
func (r *reader) resolve(l *fields, id string, which, index int) {
	line := &r.book.Formulas[which].Lines[index]
	if _, ok := r.names["ingredient"].line[id]; ok {
		return
	}
	made, ok := r.formula(id)
	switch {
	case !ok:
		both := slices.Concat(r.names["ingredient"].list, r.names["formula"].list)
		r.slip(l.at(id), id, both, "%s: there is no ingredient or prep %q", l.what, id)
	case made.Kind == commissary.Preferment:
		r.fault(l.at(id), "%s: %q is a preferment; name it under \"preferments\" with its share of the flour", l.what, id)
	case made.Kind == commissary.Dough:
		r.fault(l.at(id), "%s: %q is a dough and cannot go into another formula", l.what, id)
	default:
		line.Ingredient, line.Prep = "", id
	}
}

func (r *reader) preferments(e *fields, fm *commissary.Formula) {
	if fm.Kind == commissary.Prep {
		return
	}
	n := e.take("preferments")
	if n == nil {
		return
	}
	p := r.open(n, e.at("preferments"), e.what+", preferments")
	if len(p.order) > 20 {
		r.fault(p.line, "%s: %d preferments; at most 20 are read", p.what, len(p.order))
		return
	}
	for _, id := range p.order {
		if _, err := name(id); err != nil {
			r.fault(p.at(id), "%s: %v", p.what, err)
			continue
		}
		s := r.open(p.values[id], p.at(id), e.what+", preferment \""+id+"\"")
		fm.Preferments = append(fm.Preferments, commissary.PrefermentShare{Formula: id,
			Flour:      must(s, "flour", "30 %", above(upTo(quantity.Whole))),
			DaysBefore: int(read(s, "days_before", whole(0, 14)))})
		s.close()
		p.ref(p.at(id), "formula", id)
		r.checks = append(r.checks, func() {
			if made, ok := r.formula(id); ok && made.Kind != commissary.Preferment && made.Kind != "" {
				r.fault(p.at(id), "%s: %q is a %s, not a preferment", p.what, id, made.Kind)
			}
		})
	}
}

// steps that a formula may list; weighing, mixing and washing come from the
// vessel, picking from the run.
var steps = oneOf(commissary.StepRest, commissary.StepDivide, commissary.StepCool, commissary.StepPack,
	commissary.StepChill, commissary.StepNest, commissary.StepHold)

func (r *reader) steps(e *fields, fm *commissary.Formula) {
	since := r.wrong
	var seen []commissary.StepKind
	for _, s := range e.groups("steps", "step") {
		st := commissary.Step{
			Kind: must(s, "step", "rest", steps),
			Min:  read(s, "min", quantity.ParseSeconds),
			Max:  read(s, "max", quantity.ParseSeconds),
			Wait: read(s, "wait", quantity.ParseSeconds)}
		if st.Kind == commissary.StepRest || st.Kind == "" {
			st.RiseFrom = read(s, "rise_from", above(quantity.ParsePPM))
			st.RiseTo = read(s, "rise_to", above(quantity.ParsePPM))
		} else {
			s.forbid("is for rest only", "rise_from", "rise_to")
		}
		switch st.Kind {
		case commissary.StepDivide, commissary.StepPack:
			st.Bench = s.refer("bench", "bench", true, "dough-bench")
			st.Heads = int(must(s, "heads", "2", whole(1, 100)))
		case commissary.StepNest:
			st.Heads = int(must(s, "heads", "1", whole(1, 100)))
			s.forbid("is for divide and pack only", "bench")
		case "":
			s.take("bench")
			s.take("heads")
		default:
			s.forbid("is for divide and pack only", "bench")
			s.forbid("is not used: nobody stands by", "heads")
		}
		s.close()
		switch {
		case st.Kind == "":
		case s.has("rise_from") != s.has("rise_to") || st.RiseTo < st.RiseFrom:
			r.fault(s.line, "%s: write how much the dough has risen at least and at most, for example rise_from: 75 %%, rise_to: 100 %%", s.what)
		case st.Max != 0 && st.Max < st.Min:
			r.fault(s.at("max"), "%s: at most %v is less than at least %v", s.what, st.Max, st.Min)
		case st.Min == 0 && (st.Kind == commissary.StepRest || st.Kind == commissary.StepCool || st.Kind == commissary.StepChill || st.Kind == commissary.StepNest) && !s.has("min"):
			s.missing("min", "10 min")
		case slices.Contains(seen, commissary.StepHold):
			r.fault(s.line, "%s: %s comes after hold; hold is the last step, until the van leaves", s.what, st.Kind)
		case slices.Contains(seen, st.Kind) && st.Kind != commissary.StepRest && st.Kind != commissary.StepChill:
			r.fault(s.line, "%s: %s stands twice; keep one", s.what, st.Kind)
		case st.Kind == commissary.StepNest && !slices.Contains(seen, commissary.StepChill):
			r.fault(s.line, "%s: nothing is cross-stacked yet; put a chill step before nest", s.what)
		}
		seen = append(seen, st.Kind)
		fm.Steps = append(fm.Steps, st)
	}
	if r.wrong > since {
		return
	}
	needs := map[commissary.FormulaKind]commissary.StepKind{commissary.Dough: commissary.StepDivide, commissary.Prep: commissary.StepPack}
	for _, kind := range []commissary.StepKind{commissary.StepDivide, commissary.StepPack} {
		if fm.Kind != "" && needs[fm.Kind] != kind && slices.Contains(seen, kind) {
			r.fault(e.at("steps"), "%s is a %s and has no %s step; remove it", e.what, fm.Kind, kind)
		}
	}
}

// formula returns a formula by name.
func (r *reader) formula(id string) (*commissary.Formula, bool) {
	i, ok := r.formulaAt[id]
	if !ok {
		return nil, false
	}
	return &r.book.Formulas[i], true
}

func (r *reader) ingredient(id string) (*commissary.Ingredient, bool) {
	i, ok := r.ingredientAt[id]
	if !ok {
		return nil, false
	}
	return &r.book.Ingredients[i], true
}

// judgeLines checks that shares add up and that no preferment takes more of
// an ingredient than there is.
func (r *reader) judgeLines(e *fields, fm commissary.Formula, at map[string]int) {
	var total, flour quantity.PPM
	for _, l := range fm.Lines {
		total += l.Share
		in, ok := r.ingredient(l.Ingredient)
		switch {
		case ok && in.Kind == commissary.Flour:
			flour += l.Share
		case !ok && l.Prep == "" || ok && in.Kind == "":
			return // reported already
		}
	}
	switch {
	case fm.Kind == commissary.Prep && total != quantity.Whole:
		r.fault(e.at("lines"), "%s: the lines add up to %v; the lines of a prep add up to 100 %%", e.what, total)
	case fm.Kind != commissary.Prep && flour != quantity.Whole:
		r.fault(e.at("lines"), "%s: its flour adds up to %v; every share is of the total flour, so flour adds up to 100 %%", e.what, flour)
	case fm.Kind != commissary.Prep:
		r.judgePreferments(e, fm, at)
	}
}

func (r *reader) judgePreferments(e *fields, fm commissary.Formula, at map[string]int) {
	var sum quantity.PPM
	taken := map[string]int64{} // in parts per million of parts per million
	var order []string
	for _, p := range fm.Preferments {
		sum += p.Flour
		made, ok := r.formula(p.Formula)
		if !ok || made.Kind != commissary.Preferment {
			return
		}
		for _, l := range made.Lines {
			id := l.Ingredient + l.Prep
			if _, ok := taken[id]; !ok {
				order = append(order, id)
			}
			// At most 20 preferments of at most 100 % of at most MaxPPM: this cannot overflow.
			taken[id] += int64(p.Flour) * int64(l.Share)
		}
	}
	if sum > quantity.Whole {
		r.fault(e.at("preferments"), "%s: its preferments hold %v of the flour; at most 100 %%", e.what, sum)
		return
	}
	for _, id := range order {
		var has quantity.PPM
		for _, l := range fm.Lines {
			if l.Ingredient+l.Prep == id {
				has = l.Share
			}
		}
		if taken[id] <= int64(has)*int64(quantity.Whole) {
			continue
		}
		takes, _ := quantity.MulDiv(taken[id], 1, int64(quantity.Whole), quantity.Up)
		line, known := at[id]
		if !known {
			line = e.at("preferments")
		}
		r.fault(line, "%s: its preferments take %v of %s, but the whole dough has %v; give the dough more or preferment less", e.what, quantity.PPM(takes), id, has)
	}
}
