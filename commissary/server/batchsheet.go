package server

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/plan"
	"doughrun/commissary/safety"
	v1 "doughrun/proto/doughrun/v1"
)

// sheet computes what a baker works from for one batch, given what stands
// around it.
func (k *kitchen) sheet(b commissary.Batch, around floor) (*v1.BatchSheet, error) {
	i := slices.IndexFunc(k.Formulas, func(f commissary.Formula) bool { return f.ID == b.Formula })
	j := slices.IndexFunc(k.Vessels, func(v commissary.Vessel) bool { return v.ID == b.Vessel })
	if i < 0 || j < 0 {
		return nil, commissary.Refuse(commissary.Internal, "BOOK_DIFFERS", "batch %s names a formula or vessel that its own book revision does not have", b.ID)
	}
	f := k.Formulas[i]
	v, learnt := k.learnt(b, f, k.Vessels[j], around.mixes)
	weighed, err := formula.Weigh(k.Book, f, b.Mass)
	if err != nil {
		return nil, err
	}
	out, err := formula.ComesOut(f, weighed.Mass)
	if err != nil {
		return nil, err
	}
	sheet := &v1.BatchSheet{
		Site:                 k.Site(),
		FlourMassMg:          int64(weighed.Flour),
		MixedMassMg:          int64(weighed.Mass),
		LossMassMg:           int64(max(weighed.Mass-out, 0)),
		RoomTempMillicelsius: int32(k.Book.Kitchen.RoomTemp),
		FirstSpeedSeconds:    int64(f.MixFirst),
	}
	cautions, err := safety.Cautions(k.Book, f.ID, v)
	if err != nil {
		return nil, err
	}
	for _, c := range cautions {
		sheet.Cautions = append(sheet.Cautions, c.Text)
	}
	if b.Second {
		sheet.SecondSpeedSeconds = int64(f.MixSecond)
	}
	if f.Target != 0 {
		sheet.TargetTempMillicelsius = proto.Int32(int32(f.Target))
		sheet.FlourTempMillicelsius = int32(k.Book.Kitchen.FlourTemp)
	}
	water, err := k.water(sheet, f, v, weighed, b.Second)
	if err != nil {
		return nil, err
	}
	if learnt != "" && len(sheet.WaterArithmetic) > 0 {
		sheet.WaterArithmetic = append(sheet.WaterArithmetic, learnt)
	}
	for _, l := range weighed.Lines {
		line, err := k.sheetLine(f, l)
		if err != nil {
			return nil, err
		}
		if f.Target != 0 && l.Kind == commissary.Water {
			_, ice, err := water.Split(l.Mass, l.Division)
			if err != nil {
				return nil, err
			}
			line.IceMassMg = int64(ice)
			sheet.WaterTempMillicelsius, sheet.TapWaterTempMillicelsius = proto.Int32(int32(water.Needed)), int32(water.Tap)
		}
		sheet.Lines = append(sheet.Lines, line)
	}
	for _, m := range b.Makes {
		sheet.Divides = append(sheet.Divides, k.divideLine(m, b.MixEnd))
	}
	k.missed(sheet, f, b.Makes)
	k.ripening(sheet, f, b)
	cooling(sheet, b, v)
	if err := k.warn(sheet, f, b, around); err != nil {
		return nil, err
	}
	return sheet, k.declare(sheet, b, v, around)
}

func (k *kitchen) sheetLine(f commissary.Formula, l formula.SheetLine) (*v1.SheetLine, error) {
	line := &v1.SheetLine{
		Kind:            v1.SheetLineKind_SHEET_LINE_KIND_INGREDIENT,
		Id:              l.ID(),
		MassMg:          int64(l.Mass),
		ScaleId:         l.Scale,
		ScaleDivisionMg: int64(l.Division),
		Weighings:       int32(l.Weighings),
	}
	var allergens []commissary.Allergen
	switch {
	case l.Ingredient != "":
		i := slices.IndexFunc(k.Ingredients, func(x commissary.Ingredient) bool { return x.ID == l.Ingredient })
		line.Name, allergens = k.Ingredients[i].Name, k.Ingredients[i].Allergens
	case l.Preferment != "":
		line.Kind = v1.SheetLineKind_SHEET_LINE_KIND_PREFERMENT
	default:
		line.Kind = v1.SheetLineKind_SHEET_LINE_KIND_PREP
	}
	if l.Ingredient == "" {
		i := slices.IndexFunc(k.Formulas, func(x commissary.Formula) bool { return x.ID == l.ID() })
		line.Name = k.Formulas[i].Name
		var err error
		if allergens, err = safety.Allergens(k.Book, l.ID()); err != nil {
			return nil, err
		}
	}
	for _, a := range allergens {
		line.Allergens = append(line.Allergens, string(a))
	}
	for _, x := range f.Lines {
		if l.Preferment == "" && x.Ingredient == l.Ingredient && x.Prep == l.Prep {
			line.SharePpm = int64(x.Share)
		}
	}
	for _, x := range f.Preferments {
		if l.Preferment == x.Formula {
			line.SharePpm = int64(x.Flour)
		}
	}
	return line, nil
}

// divideLine is one item of a batch: the times are those in the kitchen's own
// cold store.
func (k *kitchen) divideLine(m commissary.Making, made time.Time) *v1.DivideLine {
	it, _ := k.item(m.Item)
	line := &v1.DivideLine{
		ItemId:         it.ID,
		ItemName:       it.Name,
		Kind:           v1.ItemKind_ITEM_KIND_BALL,
		PieceMassMg:    int64(it.Mass),
		TolerancePpm:   int64(it.Tolerance),
		Pieces:         int64(m.Pieces),
		FullContainers: int32(m.Pieces / max(it.PerBox, 1)),
		LoosePieces:    int64(m.Pieces % max(it.PerBox, 1)),
	}
	u := plan.UseWindow(&k.Book, k.zone, commissary.Lot{Made: made}, it, commissary.Shop{}, made)
	line.UseFromTime, line.BestTime, line.UseByTime = timestamppb.New(u.From), timestamppb.New(u.Best), timestamppb.New(u.By)
	if !u.Mark.IsZero() {
		line.MarkDate = u.Mark.String()
	}
	if s, err := safety.Jurisdiction(k.Book.Kitchen.Jurisdiction).Shelf(it.Shelf); err == nil {
		line.MarkText, line.OpenedDays = s.Text, int32(s.Opened)
	}
	line.ZoneTempMillicelsius = int32(k.ColdStore.Temp)
	for _, z := range k.ColdStore.Zones {
		if z.ID == it.Zone {
			line.ZoneName = z.Name
		}
	}
	if it.Kind == commissary.Pack {
		line.Kind = v1.ItemKind_ITEM_KIND_PACK
	}
	for _, c := range k.Containers {
		if c.ID == it.Container {
			line.ContainerName = c.Name
		}
	}
	return line
}
