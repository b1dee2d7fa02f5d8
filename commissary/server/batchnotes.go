package server

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/ferment"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
	v1 "doughrun/proto/doughrun/v1"
)

// floor is what stands around a batch: what went through its vessel before it,
// oldest first, and when what it takes in was made.
type floor struct {
	now    time.Time
	before []commissary.Batch
	from   map[string]source // by lot code or batch id, whichever a use names
	mixes  []commissary.Mix  // earlier ones on its vessel, oldest first
}

// source is what a batch takes from.
type source struct {
	formula string
	made    time.Time
	mass    quantity.Mass
}

// aroundBatch loads the floor of a batch.
func (k *kitchen) aroundBatch(tx commissary.Tx, b commissary.PostedBatch, now time.Time) (floor, error) {
	id := k.id()
	f := floor{now: now, from: map[string]source{}}
	for d := -outDays; d <= 0; d++ {
		posted, err := tx.Batches(id).List(b.Night.AddDays(d), "", 0)
		if err != nil {
			return f, err
		}
		for _, x := range posted {
			if x.Vessel == b.Vessel && x.Unit == b.Unit && x.State != commissary.BatchScrapped && x.MixEnd.Before(b.MixEnd) {
				f.before = append(f.before, x.Batch)
			}
		}
	}
	slices.SortStableFunc(f.before, func(a, b commissary.Batch) int { return a.MixEnd.Compare(b.MixEnd) })
	for _, u := range b.Uses {
		code := u.Lot
		if code == "" {
			code = commissary.LotCode(u.Batch, 0)
		}
		l, err := tx.Lots(id).Get(code)
		switch {
		case err == nil:
			f.from[u.Lot+u.Batch] = source{l.Formula, l.Made, max(l.Mass, u.Mass)}
		case commissary.KindOf(err) != commissary.NotFound:
			return f, err
		case u.Batch != "":
			from, err := tx.Batches(id).Get(u.Batch)
			if err != nil && commissary.KindOf(err) != commissary.NotFound {
				return f, err
			}
			if err == nil {
				f.from[u.Batch] = source{from.Formula, from.MixEnd, from.Mass}
			}
		}
	}
	class := ""
	if i := slices.IndexFunc(k.Formulas, func(x commissary.Formula) bool { return x.ID == b.Formula }); i >= 0 {
		class = k.Formulas[i].Class
	}
	var err error
	f.mixes, err = tx.Batches(id).Mixes(b.Vessel, class, b.Second, told(b, now), mixesRead)
	return f, err
}

// water works out the formula water of a sheet, and shows how.
func (k *kitchen) water(sheet *v1.BatchSheet, f commissary.Formula, v commissary.Vessel, weighed formula.Sheet, second bool) (formula.Water, error) {
	units := k.Book.Kitchen.Units
	var water formula.Water
	var err error
	if formula.Method(k.Book.Kitchen.Water) == formula.ByBalance {
		water, err = formula.BalancedWater(k.Book, v, f, weighed, second)
	} else {
		water, err = formula.PlannedWater(k.Book, v, f, second)
	}
	if err != nil && commissary.KindOf(err) == commissary.Internal {
		return water, err
	}
	if err != nil {
		// The baker needs the sheet all the same, and to know.
		sheet.Warnings = append(sheet.Warnings, err.Error())
	}
	if water.Assumed != "" {
		sheet.Cautions = append(sheet.Cautions, "assumed: "+water.Assumed)
	}
	if f.Target == 0 {
		return water, nil
	}
	sheet.WaterMethod = string(water.Method)
	factors, _ := formula.PlannedFactors(k.Book, v, f, second)
	if water.Method == formula.ByBalance {
		// Shown for a hundred kilograms: a whole sheet's weights are no easier to follow.
		if balance, err := formula.BalanceOf(k.Book, f, factors); err == nil {
			sheet.WaterArithmetic = append([]string{"of 100 kg of dough:"}, balance.Working(units)...)
		}
	} else if water.Method == formula.ByFactor {
		sheet.WaterArithmetic = factors.Working(units)
	}
	sheet.WaterArithmetic = append(sheet.WaterArithmetic, water.Working(formula.IceOf(k.Book.Kitchen), units)...)
	if water.Ice > 0 {
		sheet.IceKind = k.Book.Kitchen.Ice.Kind
		if sheet.IceKind == "" {
			sheet.IceKind = "chipped"
		}
		// Lehmann, "Adding ice to pizza dough", PMQ, April 2016.
		sheet.Cautions = append(sheet.Cautions, "Ice: chipped or shaved. With much of it mix 4 min, rest at least 5 min and go on; none should be heard in the last 4 min.")
	}
	return water, nil
}

// What to do with a dough off its temperature, where the book does not say:
// common practice, no source.
const (
	tooWarm     = "divide at once, into the cold, lids late, use first, write it down, tell the planner."
	tooCold     = "longer on the bench until it has risen as usual, write it down."
	tubTooWarm  = "it ripens sooner: look at it early, or chill it."
	tubTooCold  = "it ripens later: keep it warmer, look at it before the dough is mixed."
	warmerShown = 2 * quantity.Degree
)

// missed says what to do when the dough is not at its temperature, and what a
// warmer one does to its best age.
func (k *kitchen) missed(sheet *v1.BatchSheet, f commissary.Formula, makes []commissary.Making) {
	if f.Target == 0 {
		return
	}
	if f.Kind == commissary.Preferment {
		sheet.TooWarmAction, sheet.TooColdAction = tubTooWarm, tubTooCold
		return
	}
	sheet.TooWarmAction, sheet.TooColdAction = k.Book.Kitchen.TooWarm, k.Book.Kitchen.TooCold
	if sheet.TooWarmAction == "" {
		sheet.TooWarmAction = tooWarm
	}
	if sheet.TooColdAction == "" {
		sheet.TooColdAction = tooCold
	}
	if len(makes) == 0 {
		return
	}
	item, _ := k.item(makes[0].Item)
	sooner := ferment.Model(k.Book.Kitchen.Model).Ahead(k.Book.ColdStore.Temp, ferment.Process(k.Book, item, item.Window.Best), warmerShown)
	if sooner < quantity.Minute {
		return
	}
	degrees := "2 °C"
	if k.Book.Kitchen.Units == quantity.US {
		degrees = "3.6 °F"
	}
	sheet.TooWarmAction += fmt.Sprintf(" %s too warm is ready about %s sooner.", degrees, (sooner+5*quantity.Minute/2)/(5*quantity.Minute)*5*quantity.Minute)
}

// declare fills in allergens: what is in the batch, and what its vessel may
// bring in since its last full wash.
func (k *kitchen) declare(sheet *v1.BatchSheet, b commissary.Batch, v commissary.Vessel, around floor) error {
	j := safety.Jurisdiction(k.Book.Kitchen.Jurisdiction)
	sources, err := safety.Sources(k.Book, b.Formula)
	if err != nil {
		return err
	}
	sheet.Allergens = j.Label(sources)
	var turns []safety.Turn
	for _, x := range append(slices.Clone(around.before), b) {
		contains, err := safety.Allergens(k.Book, x.Formula)
		if err != nil {
			continue // its formula is no longer in the book
		}
		turns = append(turns, safety.Turn{Contains: contains, Washed: slices.ContainsFunc(x.Steps, func(s commissary.Booking) bool {
			return s.Step == commissary.StepWash && v.Wash > v.Scrape && s.To.Sub(s.From) >= time.Duration(v.Wash)*time.Second
		})})
	}
	extra := safety.MayContain(nil, turns)
	var may []safety.Source
	for _, a := range extra[len(extra)-1] {
		may = append(may, safety.Source{Allergen: a})
	}
	sheet.MayContain = j.Label(may)
	return nil
}

// cooling fills in the readings that a prep with a cooling step needs. What
// comes out of a kettle is cooked; all else was at room temperature.
func cooling(sheet *v1.BatchSheet, b commissary.Batch, v commissary.Vessel) {
	for _, s := range b.Steps {
		if s.Step != commissary.StepCool {
			continue
		}
		c := safety.Cooling{Start: s.From, Ambient: v.Kind != "kettle"}
		middle, cold := c.Deadlines()
		add := func(most quantity.Temp, by time.Time) {
			limit := &v1.CoolingLimit{MostMillicelsius: int32(most), WithinSeconds: int64(by.Sub(c.Start) / time.Second), ByTime: timestamppb.New(by)}
			if !c.Ambient {
				limit.StartMillicelsius = proto.Int32(int32(safety.HotHold))
			}
			sheet.Cooling = append(sheet.Cooling, limit)
		}
		if !c.Ambient {
			add(safety.CoolMiddle, middle)
		}
		add(safety.ColdHold, cold)
	}
}

// ripening says when a preferment is ripe where its tub stands, in the room.
// Its window is taken to hold for the temperature it is stirred to.
func (k *kitchen) ripening(sheet *v1.BatchSheet, f commissary.Formula, b commissary.Batch) {
	if f.Kind != commissary.Preferment {
		return
	}
	ripe := ferment.UseWindow(b.MixEnd, f.Ripe, ferment.Keeping{Cold: f.Target, WalkIn: k.Book.Kitchen.RoomTemp}, ferment.Model(k.Book.Kitchen.Model))
	sheet.RipeFromTime, sheet.RipeBestTime, sheet.RipeByTime = timestamppb.New(ripe.From), timestamppb.New(ripe.Best), timestamppb.New(ripe.By)
	if ripe.Unripe {
		sheet.Warnings = append(sheet.Warnings, "The room is too cold for it to ripen within its window. Keep the tub warmer.")
	}
}

// warn fills in what the published rules make of a dough: more yeast than its
// window takes, and preferments that are not ripe when it is mixed. The book's
// window stands all the same.
func (k *kitchen) warn(sheet *v1.BatchSheet, f commissary.Formula, b commissary.Batch, around floor) error {
	if f.Kind != commissary.Dough {
		return nil
	}
	dose, assumed, err := ferment.Yeasted(k.Book, f, ferment.ChartHeads)
	if err != nil {
		return err
	}
	if assumed {
		sheet.Cautions = append(sheet.Cautions, "assumed: the yeast is instant; the book does not say")
	}
	// Balls of several sizes differ little: the one furthest on speaks for all.
	var most ferment.Overdone
	for _, m := range b.Makes {
		item, _ := k.item(m.Item)
		if o, over := ferment.Warn(dose, ferment.Process(k.Book, item, item.Window.Best)); over && o.Done > most.Done {
			most = o
		}
	}
	if most.Done > 0 {
		sheet.Warnings = append(sheet.Warnings, most.Text)
	}
	for _, s := range f.Steps {
		if s.RiseTo > 0 {
			sheet.Cautions = append(sheet.Cautions, fmt.Sprintf("Rest until it has risen by %s to %s, by eye; the minutes are a guide.", s.RiseFrom, s.RiseTo))
		}
	}
	if b.State == commissary.BatchOut {
		return nil // nothing can be done about its preferment
	}
	load := loaded(b)
	for _, u := range b.Uses {
		from := around.from[u.Lot+u.Batch]
		i := slices.IndexFunc(k.Formulas, func(x commissary.Formula) bool { return x.ID == from.formula })
		if i < 0 || k.Formulas[i].Kind != commissary.Preferment {
			continue
		}
		pref := k.Formulas[i]
		advice := ferment.Tub{Made: from.made, Mix: load, Now: around.now, Window: pref.Ripe, Stated: pref.Target, Room: k.Book.Kitchen.RoomTemp,
			Cold: k.Book.ColdStore.Temp, Mass: from.mass}.Advise(ferment.Model(k.Book.Kitchen.Model))
		if advice.Do == ferment.Use {
			continue
		}
		text := fmt.Sprintf("%s of %s: %s", pref.Name, u.Lot+u.Batch, advice.Text)
		if !advice.At.IsZero() {
			text += fmt.Sprintf(" The time for it is %s.", k.zone.Long(advice.At))
		}
		sheet.Warnings = append(sheet.Warnings, text)
	}
	return nil
}

// loaded is when a batch's vessel is loaded.
func loaded(b commissary.Batch) time.Time {
	for _, s := range b.Steps {
		if s.Step == commissary.StepMix {
			return s.From
		}
	}
	return b.MixEnd
}
