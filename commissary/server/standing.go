package server

import (
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/safety"
	v1 "doughrun/proto/doughrun/v1"
)

// standing is what has come to light of a released dispatch since: a page that
// is asked for again shows it, whenever it was printed first.
type standing struct {
	rides     []commissary.Ride                // what happened to its runs
	held      map[string]string                // why a lot must stay, by its code
	allergens map[string][]commissary.Allergen // of an item, by what its lots in use declare
}

// standingOf looks at every lot and item of a dispatch.
func (k *kitchen) standingOf(tx commissary.Tx, d commissary.Dispatch, at time.Time) (standing, error) {
	now := standing{held: map[string]string{}, allergens: map[string][]commissary.Allergen{}}
	wide, changed, err := k.declaring(tx, at)
	if err != nil {
		return now, err
	}
	var codes []string
	for _, p := range d.Picks {
		codes = append(codes, p.Lot)
		if _, known := now.allergens[p.Item]; known || len(changed) == 0 {
			continue
		}
		item, _ := k.item(p.Item)
		// An item that the book no longer has stays as it was released.
		now.allergens[p.Item], _ = safety.Allergens(wide.Book, item.Formula)
	}
	lots, err := tx.Lots(k.id()).Of(codes)
	for _, l := range lots {
		now.held[l.Code] = l.Held
	}
	return now, err
}

func (n standing) picks(picks []*v1.Pick) {
	for _, p := range picks {
		p.HeldReason = n.held[p.GetLotCode()]
	}
}

func (n standing) manifests(manifests ...*v1.Manifest) {
	for _, m := range manifests {
		for _, s := range m.GetStops() {
			for _, l := range s.GetLines() {
				l.HeldReason = n.held[l.GetLotCode()]
				for _, a := range n.allergens[l.GetItemId()] {
					if !slices.Contains(s.GetAllergens(), string(a)) {
						s.Allergens, s.NewAllergens = append(s.Allergens, string(a)), append(s.NewAllergens, string(a))
					}
				}
			}
			slices.Sort(s.Allergens)
			slices.Sort(s.NewAllergens)
		}
	}
}
