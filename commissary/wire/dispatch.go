package wire

import (
	"cmp"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Dispatch writes a dispatch: a draft has no name.
func (w *Writer) Dispatch(d commissary.Dispatch) *v1.Dispatch {
	m := &v1.Dispatch{
		NightDate:    day(d.Night),
		DeliveryDate: day(d.Delivery),
		Revision:     int32(d.Revision),
		State:        enum[v1.PlanState](d.State),
		DraftTime:    instant(d.At),
		InputHash:    d.InputHash,
		Lines:        each(d.Lines, w.dispatchLine),
		Picks:        each(d.Picks, w.pick),
		Manifests:    w.Manifests(d),
		Exceptions:   Reasons(d.Exceptions),
		Site:         w.Site(),
	}
	if d.Revision > 0 {
		m.Name = DispatchName(w.kitchen(), d.Night, d.Revision)
	}
	return m
}

func (w *Writer) dispatchLine(l commissary.DispatchLine) *v1.DispatchLine {
	return &v1.DispatchLine{
		ShopId:        l.Shop,
		ShopName:      w.shop(l.Shop),
		ItemId:        l.Item,
		ItemName:      w.item(l.Item),
		BakeDate:      day(l.BakeDate),
		Source:        enum[v1.Source](l.Source),
		OrderedPieces: int64(l.Ordered),
		PickedPieces:  int64(l.Picked),
		ShortPieces:   int64(l.Short),
		ShortReason:   l.Why,
	}
}

func (w *Writer) pick(p commissary.Pick) *v1.Pick {
	return &v1.Pick{
		RunId:          p.Run,
		RunName:        either(w.runs[p.Run], p.Run),
		ShopId:         p.Shop,
		ShopName:       w.shop(p.Shop),
		ItemId:         p.Item,
		ItemName:       w.item(p.Item),
		BakeDate:       day(p.BakeDate),
		LotCode:        p.Lot,
		ZoneId:         p.Zone,
		ZoneName:       either(w.zones[p.Zone], p.Zone),
		ContainerName:  w.container(p.Item),
		Pieces:         int64(p.Pieces),
		FullContainers: int32(p.Full),
		LoosePieces:    int64(p.Loose),
		UseFromTime:    instant(p.UseFrom),
		BestTime:       instant(p.Best),
		UseByTime:      instant(p.UseBy),
		UnsureSeconds:  int64(p.Unsure),
	}
}

// Manifests writes a dispatch's manifests by departure, the way drivers leave.
func (w *Writer) Manifests(d commissary.Dispatch) []*v1.Manifest {
	return each(d.Manifests, func(m commissary.Manifest) *v1.Manifest { return w.manifest(d, m) })
}

func (w *Writer) manifest(d commissary.Dispatch, m commissary.Manifest) *v1.Manifest {
	out := &v1.Manifest{
		RunId:            m.Run,
		RunName:          either(w.runs[m.Run], m.Run),
		VehicleId:        m.Vehicle,
		VehicleName:      either(w.vehicles[m.Vehicle], m.Vehicle),
		DeliveryDate:     day(d.Delivery),
		DepartTime:       instant(m.Departs),
		Stops:            each(m.Stops, w.stop),
		Containers:       int32(m.Boxes),
		MassMg:           int64(m.Mass),
		DispatchRevision: int32(d.Revision),
		Site:             w.Site(),
		BackTime:         instant(m.Back),
		RoadM:            m.Metres,
		Measured:         m.Measured,
		Load:             each(m.Load, w.loadedDolly),
		DollyLongMm:      int32(w.book.Dolly.Base.Long),
		DollyWideMm:      int32(w.book.Dolly.Base.Wide),
	}
	for _, s := range out.Stops {
		for _, e := range d.Exceptions {
			if e.Code == commissary.ReasonLate && e.Shop == s.ShopId {
				s.Late = e.Text
			}
		}
	}
	if d.Revision > 0 {
		out.Name = ManifestName(w.kitchen(), d.Night, m.Run)
	}
	return out
}

func (w *Writer) loadedDolly(d commissary.LoadedDolly) *v1.LoadedDolly {
	return &v1.LoadedDolly{
		ShopId:   d.Shop,
		ShopName: w.shop(d.Shop),
		Cold:     d.Cold,
		MassMg:   int64(d.Mass),
		Stacks: each(d.Stacks, func(s commissary.Stack) *v1.Stack {
			return &v1.Stack{
				XMm:        int32(s.X),
				YMm:        int32(s.Y),
				LongMm:     int32(s.Base.Long),
				WideMm:     int32(s.Base.Wide),
				Containers: int32(s.Boxes),
				MassMg:     int64(s.Mass),
				Layers: each(s.Layers, func(l commissary.Layer) *v1.Layer {
					return &v1.Layer{
						ItemId:        l.Item,
						ItemName:      w.item(l.Item),
						LotCode:       l.Lot,
						Containers:    int32(l.Boxes),
						ContainerName: w.container(l.Item),
					}
				}),
			}
		}),
	}
}

func (w *Writer) stop(s commissary.ManifestStop) *v1.ManifestStop {
	shop := w.shops[s.Shop]
	m := &v1.ManifestStop{
		ShopId:     s.Shop,
		ShopName:   w.shop(s.Shop),
		Address:    shop.Address,
		Phone:      shop.Phone,
		Access:     shop.Access,
		Unattended: shop.Unattended,
		ArriveTime: instant(s.Arrives),
		Containers: int32(s.Boxes),
		MassMg:     int64(s.Mass),
		LeaveTime:  instant(s.Leaves),
		ExpectedEmpties: each(s.Empties, func(e commissary.Empties) *v1.ExpectedEmpties {
			return &v1.ExpectedEmpties{ContainerId: e.Container, ContainerName: either(w.containers[e.Container], e.Container), Containers: int32(e.Count)}
		}),
		Lines: each(s.Lines, func(l commissary.ManifestLine) *v1.ManifestLine {
			return &v1.ManifestLine{
				ItemId:        l.Item,
				ItemName:      w.item(l.Item),
				LotCode:       l.Lot,
				Pieces:        int64(l.Pieces),
				Containers:    int32(l.Boxes),
				ContainerName: w.container(l.Item),
				UseFromTime:   instant(l.UseFrom),
				BestTime:      instant(l.Best),
				UseByTime:     instant(l.UseBy),
				UnsureSeconds: int64(l.Unsure),
			}
		}),
	}
	for _, a := range s.Allergens {
		m.Allergens = append(m.Allergens, string(a))
	}
	return m
}

// Driven writes one order of a run's stops with its clock.
func (w *Writer) Driven(d commissary.Driven) *v1.DrivenOrder {
	return &v1.DrivenOrder{
		DepartTime:      instant(d.Departs),
		BackTime:        instant(d.Back),
		DriveSeconds:    int64(d.Drive),
		WaitSeconds:     int64(d.Wait),
		RoadM:           d.Metres,
		OvertimeSeconds: int64(d.Overtime),
		Stops: each(d.Stops, func(s commissary.DrivenStop) *v1.DrivenStop {
			return &v1.DrivenStop{ShopId: s.Shop, ShopName: w.shop(s.Shop), ArriveTime: instant(s.Arrives), LateSeconds: int64(s.Late)}
		}),
	}
}

// PickList writes what the dock works from: a dispatch's picks run by run, for
// one run or, when run is empty, for all. Within a run it goes shop by shop,
// so that a dolly carries one shop, the last stop first because it is loaded
// first; within a shop in walking order. It returns NotFound when the dispatch
// has no such run.
func (w *Writer) PickList(d commissary.Dispatch, run string) (*v1.PickList, error) {
	list := &v1.PickList{
		Dispatch:         DispatchName(w.kitchen(), d.Night, d.Revision),
		NightDate:        day(d.Night),
		DeliveryDate:     day(d.Delivery),
		DispatchRevision: int32(d.Revision),
		Site:             w.Site(),
	}
	for _, m := range d.Manifests {
		if run == "" || m.Run == run {
			list.Runs = append(list.Runs, w.pickRun(d, m))
		}
	}
	if run != "" && len(list.Runs) == 0 {
		e := commissary.Refuse(commissary.NotFound, "RUN_NOT_FOUND",
			"run %q carries nothing on %s; leave the run out to see all of them", run, d.Delivery)
		e.Meta = map[string]string{"run": run, "date": d.Delivery.String()}
		return nil, e
	}
	return list, nil
}

func (w *Writer) pickRun(d commissary.Dispatch, m commissary.Manifest) *v1.PickRun {
	var picks []commissary.Pick
	for _, p := range d.Picks {
		if p.Run == m.Run {
			picks = append(picks, p)
		}
	}
	stop := func(p commissary.Pick) int {
		return slices.IndexFunc(m.Stops, func(s commissary.ManifestStop) bool { return s.Shop == p.Shop })
	}
	zone := func(p commissary.Pick) int {
		return slices.IndexFunc(w.book.ColdStore.Zones, func(z commissary.Zone) bool { return z.ID == p.Zone })
	}
	item := func(p commissary.Pick) int {
		return slices.IndexFunc(w.book.Items, func(i commissary.Item) bool { return i.ID == p.Item })
	}
	slices.SortStableFunc(picks, func(a, b commissary.Pick) int {
		return cmp.Or(
			cmp.Compare(stop(b), stop(a)),
			cmp.Compare(zone(a), zone(b)),
			cmp.Compare(item(a), item(b)),
			cmp.Compare(a.Lot, b.Lot),
			a.BakeDate.Compare(b.BakeDate),
		)
	})
	return &v1.PickRun{
		RunId:       m.Run,
		RunName:     either(w.runs[m.Run], m.Run),
		VehicleName: either(w.vehicles[m.Vehicle], m.Vehicle),
		DepartTime:  instant(m.Departs),
		Picks:       each(picks, w.pick),
		Containers:  int32(m.Boxes),
		MassMg:      int64(m.Mass),
	}
}

// ReadDispatch reads a dispatch that somebody wants judged. It refuses dates
// and instants that do not exist and enum values that the contract does not
// have.
func ReadDispatch(m *v1.Dispatch) (commissary.Dispatch, error) {
	var r reading
	const where = "dispatch"
	d := commissary.Dispatch{
		Night:      r.day(where+".night_date", m.GetNightDate()),
		Delivery:   r.day(where+".delivery_date", m.GetDeliveryDate()),
		Revision:   int(m.GetRevision()),
		State:      word[commissary.PlanState](&r, where+".state", m.GetState(), false),
		At:         r.instant(where+".draft_time", m.GetDraftTime()),
		InputHash:  m.GetInputHash(),
		Lines:      readEach(m.GetLines(), where+".lines", r.dispatchLine),
		Picks:      readEach(m.GetPicks(), where+".picks", r.pick),
		Manifests:  readEach(m.GetManifests(), where+".manifests", r.manifest),
		Exceptions: readEach(m.GetExceptions(), where+".exceptions", r.reason),
	}
	return d, r.err()
}

func (r *reading) dispatchLine(where string, m *v1.DispatchLine) commissary.DispatchLine {
	return commissary.DispatchLine{
		Shop:     m.GetShopId(),
		Item:     m.GetItemId(),
		BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		Source:   word[commissary.Source](r, where+".source", m.GetSource(), false),
		Ordered:  quantity.Pieces(m.GetOrderedPieces()),
		Picked:   quantity.Pieces(m.GetPickedPieces()),
		Short:    quantity.Pieces(m.GetShortPieces()),
		Why:      m.GetShortReason(),
	}
}

func (r *reading) pick(where string, m *v1.Pick) commissary.Pick {
	return commissary.Pick{
		Run:      m.GetRunId(),
		Shop:     m.GetShopId(),
		Item:     m.GetItemId(),
		BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		Lot:      m.GetLotCode(),
		Zone:     m.GetZoneId(),
		Pieces:   quantity.Pieces(m.GetPieces()),
		Full:     int(m.GetFullContainers()),
		Loose:    quantity.Pieces(m.GetLoosePieces()),
		UseFrom:  r.instant(where+".use_from_time", m.GetUseFromTime()),
		Best:     r.instant(where+".best_time", m.GetBestTime()),
		UseBy:    r.instant(where+".use_by_time", m.GetUseByTime()),
		Unsure:   quantity.Seconds(m.GetUnsureSeconds()),
	}
}

func (r *reading) manifest(where string, m *v1.Manifest) commissary.Manifest {
	return commissary.Manifest{
		Run:     m.GetRunId(),
		Vehicle: m.GetVehicleId(),
		Departs: r.instant(where+".depart_time", m.GetDepartTime()),
		Stops:   readEach(m.GetStops(), where+".stops", r.stop),
		Boxes:   int(m.GetContainers()),
		Mass:    quantity.Mass(m.GetMassMg()),

		Back:     r.instant(where+".back_time", m.GetBackTime()),
		Metres:   m.GetRoadM(),
		Measured: m.GetMeasured(),
		Load:     readEach(m.GetLoad(), where+".load", r.loadedDolly),
	}
}

func (r *reading) loadedDolly(where string, m *v1.LoadedDolly) commissary.LoadedDolly {
	return commissary.LoadedDolly{
		Shop: m.GetShopId(),
		Cold: m.GetCold(),
		Mass: quantity.Mass(m.GetMassMg()),
		Stacks: readEach(m.GetStacks(), where+".stacks", func(where string, m *v1.Stack) commissary.Stack {
			return commissary.Stack{
				X:     int(m.GetXMm()),
				Y:     int(m.GetYMm()),
				Base:  commissary.Base{Long: int(m.GetLongMm()), Wide: int(m.GetWideMm())},
				Boxes: int(m.GetContainers()),
				Mass:  quantity.Mass(m.GetMassMg()),
				Layers: readEach(m.GetLayers(), where+".layers", func(_ string, m *v1.Layer) commissary.Layer {
					return commissary.Layer{Item: m.GetItemId(), Lot: m.GetLotCode(), Boxes: int(m.GetContainers())}
				}),
			}
		}),
	}
}

func (r *reading) stop(where string, m *v1.ManifestStop) commissary.ManifestStop {
	return commissary.ManifestStop{
		Shop:    m.GetShopId(),
		Arrives: r.instant(where+".arrive_time", m.GetArriveTime()),
		Boxes:   int(m.GetContainers()),
		Mass:    quantity.Mass(m.GetMassMg()),
		Leaves:  r.instant(where+".leave_time", m.GetLeaveTime()),
		Empties: readEach(m.GetExpectedEmpties(), where+".expected_empties", func(_ string, m *v1.ExpectedEmpties) commissary.Empties {
			return commissary.Empties{Container: m.GetContainerId(), Count: int(m.GetContainers())}
		}),
		Allergens: readEach(m.GetAllergens(), where+".allergens", func(_, s string) commissary.Allergen {
			return commissary.Allergen(s)
		}),
		Lines: readEach(m.GetLines(), where+".lines", func(where string, m *v1.ManifestLine) commissary.ManifestLine {
			return commissary.ManifestLine{
				Item:    m.GetItemId(),
				Lot:     m.GetLotCode(),
				Pieces:  quantity.Pieces(m.GetPieces()),
				Boxes:   int(m.GetContainers()),
				UseFrom: r.instant(where+".use_from_time", m.GetUseFromTime()),
				Best:    r.instant(where+".best_time", m.GetBestTime()),
				UseBy:   r.instant(where+".use_by_time", m.GetUseByTime()),
				Unsure:  quantity.Seconds(m.GetUnsureSeconds()),
			}
		}),
	}
}
