package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// asked is what a water question may measure or change.
type asked struct {
	vessel, method                     string
	target, room, flour, tap, friction string
	preferments                        []string
	dough, mixes, fill                 string
	firstOnly                          bool
}

func waterCommand() *cobra.Command {
	var f bookFile
	var q asked
	cmd := &cobra.Command{
		Use:   "water FORMULA",
		Short: "Work out the water and ice that bring a dough to its temperature",
		Long: `Work out the water and ice that bring a dough to its temperature.

What is not measured is the kitchen book's forecast. Ice replaces a part of the
formula's water: both together are weighed as the formula says.`,
		Args: cobra.ExactArgs(1),
	}
	f.flag(cmd, "file with the kitchen book")
	cmd.Flags().StringVar(&q.vessel, "vessel", "", "the vessel; the first that takes the formula when left out")
	cmd.Flags().StringVar(&q.method, "method", "", "factor or balance; the kitchen's own when left out")
	cmd.Flags().StringVar(&q.target, "target", "", "wanted dough temperature, as \"24 °C\"")
	cmd.Flags().StringVar(&q.room, "room", "", "room temperature as measured")
	cmd.Flags().StringVar(&q.flour, "flour", "", "flour temperature as measured")
	cmd.Flags().StringVar(&q.tap, "tap", "", "tap water temperature as measured")
	cmd.Flags().StringArrayVar(&q.preferments, "preferment", nil, "a preferment's temperature as measured, one for each in the order of the formula")
	cmd.Flags().StringVar(&q.friction, "friction", "", "friction factor, a difference, as \"11 °C\"")
	cmd.Flags().StringVar(&q.mixes, "mixes", "", "CSV file with finished mixings to learn the friction from: vessel,class,speed,fill,target,actual,room,flour,water,preferments")
	cmd.Flags().StringVar(&q.fill, "fill", "100 %", "how full the vessel will be, for what is learnt")
	cmd.Flags().StringVar(&q.dough, "dough", "", "mass of the dough, to split its water into liquid and ice")
	cmd.Flags().BoolVar(&q.firstOnly, "first-speed", false, "at first speed only, whatever the formula says")
	required(cmd, "kitchen")
	cmd.MarkFlagsMutuallyExclusive("friction", "mixes")
	cmd.RunE = act(func(j *job, args []string) error {
		if err := f.load(j); err != nil {
			return err
		}
		fm, err := f.formula(args[0])
		if err != nil {
			return err
		}
		return f.water(j, fm, q)
	})
	return cmd
}

// watered is the result of a water question.
type watered struct {
	Formula      string `json:"formula"`
	Vessel       string `json:"vessel"`
	NeededMc     int32  `json:"needed_millicelsius"`
	TapMc        int32  `json:"tap_millicelsius"`
	FrictionMc   int32  `json:"friction_difference_millicelsius"`
	IcePPM       int64  `json:"ice_ppm_of_water"`
	LiquidMassMg int64  `json:"liquid_mg,omitempty"`
	IceMassMg    int64  `json:"ice_mg,omitempty"`
}

func (f *bookFile) water(j *job, fm commissary.Formula, q asked) error {
	second := fm.MixSecond > 0 && !q.firstOnly
	v, err := f.vesselFor(fm, q.vessel, second)
	if err != nil {
		return err
	}
	a := answer{Question: fmt.Sprintf("Water for %s in the %s, %s", fm.Name, v.Name, speeds(second))}
	switch q.method {
	case "":
	case string(formula.ByFactor), string(formula.ByBalance):
		f.Book.Kitchen.Water = q.method
	default:
		return badFlag("method", fmt.Errorf("%q is unknown; write factor or balance", q.method))
	}
	if t, ok, err := given("tap", q.tap, quantity.ParseTemp); err != nil {
		return err
	} else if ok {
		f.Book.Kitchen.TapWater = t
	}
	if t, ok, err := given("target", q.target, quantity.ParseTemp); err != nil {
		return err
	} else if ok {
		fm.Target = t
	}
	factors, assumed := formula.PlannedFactors(f.Book, v, fm, second)
	if factors, assumed, err = f.measured(j, factors, assumed, v, fm, second, q); err != nil {
		return err
	}
	ice := formula.IceOf(f.Book.Kitchen)
	w, err := formula.WaterBy(f.Book, fm, factors)
	if err != nil {
		// What was reckoned stands beside the refusal.
		for _, line := range factors.Working(f.units) {
			fmt.Fprintln(j.talk, "doughrun:", line)
		}
		return err
	}
	a.Method = string(w.Method)
	switch w.Method {
	case formula.ByFactor:
		a.Working = factors.Working(f.units)
	case formula.ByBalance:
		balance, err := formula.BalanceOf(f.Book, fm, factors)
		if err != nil {
			return err
		}
		a.Working = append([]string{"of " + f.units.Mass(100*quantity.Kilogram) + " of dough:"}, balance.Working(f.units)...)
	}
	a.Working = append(a.Working, w.Working(ice, f.units)...)
	r := watered{Formula: fm.ID, Vessel: v.ID, NeededMc: int32(w.Needed), TapMc: int32(w.Tap), FrictionMc: int32(factors.Friction), IcePPM: int64(w.Ice)}
	switch {
	case w.Ice > 0:
		a.say("%s of the water as ice, the rest from the tap at %s: together as good as water at %s", (w.Ice+500)/1000*1000, f.units.Temp(w.Tap), f.units.Temp(w.Needed))
		a.Notes = append(a.Notes, "ice chipped or shaved; with much of it mix 4 min, rest at least 5 min and go on; none should be heard in the last 4 min")
	default:
		a.say("water at %s", f.units.Temp(w.Needed))
	}
	if q.dough != "" {
		if err := f.splitWater(&a, &r, fm, w, q.dough); err != nil {
			return err
		}
	}
	if assumed != "" {
		a.Notes = append(a.Notes, "assumed: "+assumed)
	}
	if w.Method == formula.ByFactor && len(fm.Preferments) > 0 {
		a.Notes = append(a.Notes, "the factor method weighs all temperatures alike, whatever their mass; --method balance does not")
	}
	a.Result = r
	return j.answer(a)
}

// splitWater divides the water of a dough's sheet into liquid and ice.
func (f *bookFile) splitWater(a *answer, r *watered, fm commissary.Formula, w formula.Water, dough string) error {
	mass, _, err := given("dough", dough, quantity.ParseMass)
	if err != nil {
		return err
	}
	s, err := formula.Weigh(f.Book, fm, mass)
	if err != nil {
		return err
	}
	for _, l := range s.Lines {
		if l.Kind != commissary.Water {
			continue
		}
		liquid, ice, err := w.Split(l.Mass, l.Division)
		if err != nil {
			return err
		}
		a.work("%s of dough has %s of water in the final mix, weighed in steps of %s", near(f.units, s.Mass), f.units.Mass(l.Mass), f.units.Mass(l.Division))
		a.say("%s: %s from the tap and %s of ice", l.ID(), f.units.Mass(liquid), f.units.Mass(ice))
		r.LiquidMassMg += int64(liquid)
		r.IceMassMg += int64(ice)
	}
	return nil
}

// vesselFor is the named vessel, or the first that takes the formula.
func (f *bookFile) vesselFor(fm commissary.Formula, id string, second bool) (commissary.Vessel, error) {
	if id != "" {
		return f.vessel(id)
	}
	for _, v := range f.Vessels {
		if _, err := formula.Capacity(f.Book, v, fm, second, formula.Water{Needed: f.Book.Kitchen.TapWater, Tap: f.Book.Kitchen.TapWater}); err == nil {
			return v, nil
		}
	}
	return commissary.Vessel{}, commissary.Refuse(commissary.Invalid, string(commissary.BrokenClass), "no vessel of the book takes class %q of %s, %s", fm.Class, fm.ID, speeds(second))
}

// measured puts what the baker measured in the place of forecasts, and what
// was learnt in the place of the book's friction.
func (f *bookFile) measured(j *job, factors formula.Factors, assumed string, v commissary.Vessel, fm commissary.Formula, second bool, q asked) (formula.Factors, string, error) {
	factors.Preferments = slices.Clone(factors.Preferments)
	if len(q.preferments) > len(factors.Preferments) {
		return factors, "", badFlag("preferment", fmt.Errorf("%d given, and the formula has %d", len(q.preferments), len(factors.Preferments)))
	}
	if t, ok, err := given("room", q.room, quantity.ParseTemp); err != nil {
		return factors, "", err
	} else if ok {
		factors.Room = t
		for i := range factors.Preferments {
			factors.Preferments[i] = t
		}
	}
	for i, s := range q.preferments {
		t, err := quantity.ParseTemp(s)
		if err != nil {
			return factors, "", badFlag("preferment", err)
		}
		factors.Preferments[i] = t
	}
	if t, ok, err := given("flour", q.flour, quantity.ParseTemp); err != nil {
		return factors, "", err
	} else if ok {
		factors.Flour = t
	}
	if t, ok, err := given("friction", q.friction, quantity.ParseTempDifference); err != nil {
		return factors, "", err
	} else if ok {
		factors.Friction, assumed = t, ""
	}
	if q.mixes == "" {
		return factors, assumed, nil
	}
	fill, _, err := given("fill", q.fill, quantity.ParsePPM)
	if err != nil {
		return factors, "", err
	}
	text, err := j.read(q.mixes)
	if err != nil {
		return factors, "", err
	}
	mixes, err := book.ReadMixes(q.mixes, text, f.Book)
	if err != nil {
		return factors, "", err
	}
	var same []formula.Mixed
	for _, m := range mixes {
		if m.Vessel == v.ID && m.Class == fm.Class && m.Second == second {
			same = append(same, formula.Mixed{Room: m.Room, Flour: m.Flour, Water: m.Water, Preferments: m.Preferments, Dough: m.Actual, Fill: m.Fill})
		}
	}
	learnt, ok := formula.Learn(same, fill)
	if !ok {
		return factors, fmt.Sprintf("the book's friction: %s has fewer than three mixings of this vessel, class and speed at about this fill", q.mixes), nil
	}
	factors.Friction = learnt
	return factors, "", nil
}
