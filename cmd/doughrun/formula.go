package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

func formulaCommand() *cobra.Command {
	return group("formula", "Scale a formula, work out water, yeast, readiness and capacity, without a server",
		scaleCommand(), waterCommand(), yeastCommand(), readyCommand(), capacityCommand())
}

// batchOf is a number of pieces of one mass.
type batchOf struct {
	pieces quantity.Pieces
	each   quantity.Mass
	item   string // empty: only the mass is known
}

// parsePieces reads "1120 house-280" or "1120 x 280 g".
func parsePieces(s string, items []commissary.Item) (batchOf, error) {
	number, what, _ := strings.Cut(strings.TrimSpace(s), " ")
	n, err := quantity.ParsePieces(number)
	if err == nil && n == 0 {
		err = fmt.Errorf("%q is nothing to make", s)
	}
	if err != nil {
		return batchOf{}, err
	}
	what = strings.TrimSpace(what)
	for _, times := range []string{"x ", "× "} {
		if mass, ok := strings.CutPrefix(what, times); ok {
			each, err := quantity.ParseMass(mass)
			if err == nil && each == 0 {
				err = fmt.Errorf("%q weighs nothing", s)
			}
			return batchOf{n, each, ""}, err
		}
	}
	for _, it := range items {
		if it.ID == what {
			return batchOf{n, it.Mass, it.ID}, nil
		}
	}
	return batchOf{}, fmt.Errorf("%q is neither pieces of an item of the book nor of a mass; write for example \"1120 house-280\" or \"1120 x 280 g\"", s)
}

func scaleCommand() *cobra.Command {
	var f bookFile
	var pieces []string
	var flour, dough string
	cmd := &cobra.Command{
		Use:   "scale FORMULA",
		Short: "Scale a formula to pieces, to flour or to a mass",
		Args:  cobra.ExactArgs(1),
	}
	f.flag(cmd, "file with the kitchen book")
	cmd.Flags().StringArrayVar(&pieces, "pieces", nil, "pieces to make, as \"1120 house-280\" or \"1120 x 280 g\"; may be repeated")
	cmd.Flags().StringVar(&flour, "flour", "", "all flour of the dough, that of its preferments included, as \"50 kg\"")
	cmd.Flags().StringVar(&dough, "dough", "", "mass to put through the vessel, as \"60 kg\"")
	required(cmd, "kitchen")
	cmd.MarkFlagsOneRequired("pieces", "flour", "dough")
	cmd.MarkFlagsMutuallyExclusive("pieces", "flour", "dough")
	cmd.RunE = act(func(j *job, args []string) error {
		if err := f.load(j); err != nil {
			return err
		}
		fm, err := f.formula(args[0])
		if err != nil {
			return err
		}
		a := answer{Question: fm.Name, Method: "bakers' percentages of the total flour, preferments counted in"}
		if fm.Kind == commissary.Prep {
			a.Method = "shares of what goes in"
		}
		wanted, err := f.wanted(&a, fm, pieces, flour, dough)
		if err != nil {
			return err
		}
		if err := f.scale(&a, fm, wanted); err != nil {
			return err
		}
		return j.answer(a)
	})
	return cmd
}

// wanted is the mass that has to go through the vessel.
func (f *bookFile) wanted(a *answer, fm commissary.Formula, pieces []string, flour, dough string) (quantity.Mass, error) {
	if m, ok, err := given("dough", dough, quantity.ParseMass); ok || err != nil {
		a.Question += " of " + near(f.units, m)
		return m, err
	}
	if m, ok, err := given("flour", flour, quantity.ParseMass); ok || err != nil {
		if err != nil {
			return 0, err
		}
		a.Question += " from " + near(f.units, m) + " of flour"
		shares, err := formula.Overall(f.Book, fm)
		if err != nil {
			return 0, err
		}
		whole, err := formula.DoughFor(f.Book, fm, m)
		if err == nil {
			a.work("%s of flour × %s (all shares) = %s", near(f.units, m), shares.Total, near(f.units, whole))
		}
		return whole, err
	}
	var net quantity.Mass
	var names []string
	for _, s := range pieces {
		b, err := parsePieces(s, f.Items)
		if err != nil {
			return 0, badFlag("pieces", err)
		}
		if b.item != "" {
			if it, _ := f.item(b.item); it.Formula != fm.ID {
				return 0, badFlag("pieces", fmt.Errorf("%s is made from %s, not from %s", it.ID, it.Formula, fm.ID))
			}
		}
		m, err := quantity.Scale(b.each, int64(b.pieces), 1, quantity.Up)
		if err != nil {
			return 0, badFlag("pieces", err)
		}
		a.work("%d × %s = %s", b.pieces, f.units.Mass(b.each), near(f.units, m))
		if net, err = quantity.Sum(net, m); err != nil {
			return 0, badFlag("pieces", err)
		}
		names = append(names, s)
	}
	a.Question += " for " + strings.Join(names, ", ")
	gross, err := formula.ToMix(fm, net)
	if err != nil {
		return 0, err
	}
	switch {
	case fm.Kind == commissary.Prep && fm.Yield != 0:
		a.work("%s ÷ %s yield = %s to put in", near(f.units, net), fm.Yield, near(f.units, gross))
	case fm.Loss != 0:
		a.work("%s ÷ (100 %% − %s loss) = %s to mix", near(f.units, net), fm.Loss, near(f.units, gross))
	}
	return gross, nil
}

// scaled is the result of a scaling.
type scaled struct {
	Formula     string       `json:"formula"`
	MassMg      int64        `json:"mass_mg"`
	FlourMg     int64        `json:"flour_mg"`
	SurplusMg   int64        `json:"surplus_mg"`
	Lines       []scaledLine `json:"lines"`
	Preferments []scaledTub  `json:"preferments,omitempty"`
}

type scaledLine struct {
	ID        string `json:"id"`
	ExactMg   int64  `json:"exact_mg"`
	MassMg    int64  `json:"mass_mg"`
	Scale     string `json:"scale"`
	Weighings int    `json:"weighings"`
}

type scaledTub struct {
	Formula    string `json:"formula"`
	TakenMg    int64  `json:"taken_mg"`
	StirMg     int64  `json:"stir_mg"`
	DaysBefore int    `json:"days_before"`
}

// scale writes the sheet of a batch.
func (f *bookFile) scale(a *answer, fm commissary.Formula, wanted quantity.Mass) error {
	s, err := formula.Weigh(f.Book, fm, wanted)
	if err != nil {
		return err
	}
	shares, err := formula.Overall(f.Book, fm)
	if err != nil {
		return err
	}
	r := scaled{Formula: fm.ID, MassMg: int64(s.Mass), FlourMg: int64(s.Flour), SurplusMg: int64(s.Surplus)}
	if fm.Kind != commissary.Prep {
		a.work("%s ÷ %s (all shares) = %s of flour", near(f.units, s.Mass), shares.Total, near(f.units, s.Flour))
	}
	if s.Surplus > 0 {
		a.work("%s more than asked for, so that every line is whole divisions of its scale", near(f.units, s.Surplus))
	}
	for _, l := range s.Lines {
		share := ""
		for _, x := range fm.Lines {
			if x.Ingredient == l.Ingredient && x.Prep == l.Prep && l.Preferment == "" {
				share = x.Share.String()
			}
		}
		for _, p := range fm.Preferments {
			if p.Formula != l.Preferment {
				continue
			}
			share = p.Flour.String() + " of the flour in it"
			pf, err := f.formula(p.Formula)
			if err != nil {
				return err
			}
			stir, err := formula.ToMix(pf, l.Mass)
			if err != nil {
				return err
			}
			a.work("%s: %s ÷ (100 %% − %s loss) = %s to stir", pf.Name, near(f.units, l.Mass), pf.Loss, near(f.units, stir))
			r.Preferments = append(r.Preferments, scaledTub{p.Formula, int64(l.Mass), int64(stir), p.DaysBefore})
		}
		r.Lines = append(r.Lines, scaledLine{l.ID(), int64(l.Exact), int64(l.Mass), l.Scale, l.Weighings})
		times := ""
		if l.Weighings > 1 {
			times = fmt.Sprintf(" in %d weighings", l.Weighings)
		}
		if share == "" {
			share = "-"
		}
		a.say("%-16s %26s  %14s  on %s%s", l.ID(), share, f.units.Mass(l.Mass), l.Scale, times)
	}
	a.say("%-16s %26s  %14s", "in all", "", f.units.Mass(s.Mass))
	if len(shares.Lines) > 0 && len(fm.Preferments) > 0 {
		a.Notes = append(a.Notes, "shares are of the whole dough; what the preferments bring is taken off the masses")
	}
	a.Result = r
	return nil
}

// capable is the result for one vessel.
type capable struct {
	Vessel     string       `json:"vessel"`
	LargestMg  int64        `json:"largest_mg,omitempty"`
	SmallestMg int64        `json:"smallest_mg,omitempty"`
	Cuts       []capableCut `json:"cuts,omitempty"`
	Refused    string       `json:"refused,omitempty"`
}

type capableCut struct {
	Name      string `json:"name"`
	FactorPPM int64  `json:"factor_ppm"`
}

func capacityCommand() *cobra.Command {
	var f bookFile
	var vessel string
	var firstOnly bool
	cmd := &cobra.Command{
		Use:   "capacity FORMULA",
		Short: "Say what each vessel holds of a formula, and why not more",
		Args:  cobra.ExactArgs(1),
	}
	f.flag(cmd, "file with the kitchen book")
	cmd.Flags().StringVar(&vessel, "vessel", "", "only this vessel")
	cmd.Flags().BoolVar(&firstOnly, "first-speed", false, "at first speed only, whatever the formula says")
	required(cmd, "kitchen")
	cmd.RunE = act(func(j *job, args []string) error {
		if err := f.load(j); err != nil {
			return err
		}
		fm, err := f.formula(args[0])
		if err != nil {
			return err
		}
		vessels := f.Vessels
		if vessel != "" {
			v, err := f.vessel(vessel)
			if err != nil {
				return err
			}
			vessels = []commissary.Vessel{v}
		}
		second := fm.MixSecond > 0 && !firstOnly
		a := answer{Question: "What a vessel holds of " + fm.Name + ", " + speeds(second),
			Method: "the maker's row for class " + fm.Class + ", never interpolated; deratings multiply"}
		var all []capable
		var none []string
		for _, v := range vessels {
			if !slices.ContainsFunc(v.Capacity, func(r commissary.CapacityRow) bool { return r.Class == fm.Class }) && (len(v.Capacity) > 0 || v.Volume == 0) {
				none = append(none, v.Name)
				continue
			}
			c, err := f.capacity(&a, v, fm, second)
			if err != nil {
				return err
			}
			all = append(all, c)
		}
		if len(none) > 0 {
			a.work("no row for class %s: %s", fm.Class, strings.Join(none, ", "))
		}
		if !slices.ContainsFunc(all, func(c capable) bool { return c.Refused == "" }) {
			for _, line := range a.Working {
				fmt.Fprintln(j.talk, "doughrun:", line)
			}
			return commissary.Refuse(commissary.Invalid, string(commissary.BrokenClass), "no vessel of the book takes class %q of %s, %s; add the row from a maker's table", fm.Class, fm.ID, speeds(second))
		}
		a.Result = all
		a.Notes = append(a.Notes, "how deratings combine is stated by no maker: multiplying them is a choice")
		return j.answer(a)
	})
	return cmd
}

func speeds(second bool) string {
	if second {
		return "at first and second speed"
	}
	return "at first speed"
}

// capacity works out one vessel; a class or speed that its table forbids is
// said.
func (f *bookFile) capacity(a *answer, v commissary.Vessel, fm commissary.Formula, second bool) (capable, error) {
	c := capable{Vessel: v.ID}
	water, waterErr := formula.PlannedWater(f.Book, v, fm, second)
	if waterErr != nil && commissary.KindOf(waterErr) == commissary.Internal {
		return c, waterErr
	}
	fill, err := formula.Capacity(f.Book, v, fm, second, water)
	if err != nil {
		if commissary.KindOf(err) != commissary.Invalid {
			return c, err
		}
		c.Refused = err.Error()
		a.work("%s: no, %s", v.Name, err)
		return c, nil
	}
	text := ""
	switch {
	case fill.Row.Max == 0:
		text = fmt.Sprintf("%d ml", v.Volume)
	case fill.Row.Basis == commissary.OfFlourWater:
		shares, err := formula.Overall(f.Book, fm)
		if err != nil {
			return c, err
		}
		text = fmt.Sprintf("%s of flour and water × %s ÷ %s", f.units.Mass(fill.Row.Max), shares.Total, shares.Flour+shares.Water)
	default:
		text = f.units.Mass(fill.Row.Max)
	}
	for _, cut := range fill.Cuts {
		text += fmt.Sprintf(" × %s (%s)", cut.Factor, cutWords[cut.Name])
		c.Cuts = append(c.Cuts, capableCut{cut.Name, int64(cut.Factor)})
	}
	if fm.Target != 0 {
		a.work("%s: water at %s", v.Name, f.units.Temp(water.Needed))
	}
	a.work("%s: %s = %s", v.Name, text, near(f.units, fill.Largest))
	c.LargestMg, c.SmallestMg = int64(fill.Largest), int64(fill.Smallest)
	line := fmt.Sprintf("%-24s from %s to %s", v.Name, near(f.units, fill.Smallest), near(f.units, fill.Largest))
	if mix := fm.MixFirst + fm.MixSecond; fill.Row.MaxMix > 0 {
		line += fmt.Sprintf(", at most %s of mixing (the formula has %s)", fill.Row.MaxMix, mix)
	}
	a.say("%s", line)
	if waterErr != nil {
		a.Notes = append(a.Notes, v.Name+": "+waterErr.Error())
	}
	return c, nil
}

// cutWords say what lowers a capacity.
var cutWords = map[string]string{
	string(commissary.ColdWater):   "cold water or ice",
	string(commissary.StrongFlour): "high-gluten flour",
	formula.CutLowAbsorption:       "drier than the row is listed for",
	formula.CutRise:                "room to rise",
}
