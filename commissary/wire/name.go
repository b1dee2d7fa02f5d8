package wire

import (
	"regexp"
	"strconv"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// KitchenName returns kitchens/main.
func KitchenName(kitchen string) string { return "kitchens/" + kitchen }

// BookName returns kitchens/main/books/7; revision 0 is the newest.
func BookName(kitchen string, revision int) string {
	return KitchenName(kitchen) + "/books/" + revisionName(revision)
}

// NightName returns kitchens/main/nights/2026-11-26.
func NightName(kitchen string, night civil.Date) string {
	return KitchenName(kitchen) + "/nights/" + night.String()
}

// OrderName returns kitchens/main/nights/2026-11-26/orders/north.
func OrderName(kitchen string, night civil.Date, shop string) string {
	return NightName(kitchen, night) + "/orders/" + shop
}

// PlanName returns kitchens/main/nights/2026-11-26/plans/2; revision 0 is the newest.
func PlanName(kitchen string, night civil.Date, revision int) string {
	return NightName(kitchen, night) + "/plans/" + revisionName(revision)
}

// DispatchName returns kitchens/main/nights/2026-11-26/dispatches/1; revision 0 is the newest.
func DispatchName(kitchen string, night civil.Date, revision int) string {
	return NightName(kitchen, night) + "/dispatches/" + revisionName(revision)
}

// ManifestName returns kitchens/main/nights/2026-11-26/manifests/north-early.
func ManifestName(kitchen string, night civil.Date, run string) string {
	return NightName(kitchen, night) + "/manifests/" + run
}

// BatchName returns kitchens/main/batches/20261126-03.
func BatchName(kitchen, batch string) string { return KitchenName(kitchen) + "/batches/" + batch }

// LotName returns kitchens/main/lots/ and the lot's code.
func LotName(kitchen, code string) string { return KitchenName(kitchen) + "/lots/" + code }

// OutageName returns kitchens/main/outages/7.
func OutageName(kitchen string, number int) string {
	return KitchenName(kitchen) + "/outages/" + strconv.Itoa(number)
}

// ParseOutage returns what is in kitchens/main/outages/7.
func ParseOutage(name string) (kitchen string, number int, err error) {
	p, err := match("outage", "kitchens/KITCHEN/outages/NUMBER", name)
	return p.kitchen, p.revision, err
}

// newest stands for the revision in force.
const newest = "newest"

func revisionName(revision int) string {
	if revision == 0 {
		return newest
	}
	return strconv.Itoa(revision)
}

// ParseKitchen returns the id in kitchens/main.
func ParseKitchen(name string) (kitchen string, err error) {
	p, err := match("kitchen", "kitchens/KITCHEN", name)
	return p.kitchen, err
}

// ParseBook returns what is in kitchens/main/books/7; the newest revision is 0.
func ParseBook(name string) (kitchen string, revision int, err error) {
	p, err := match("book", "kitchens/KITCHEN/books/REVISION", name)
	return p.kitchen, p.revision, err
}

// ParseNight returns what is in kitchens/main/nights/2026-11-26.
func ParseNight(name string) (kitchen string, night civil.Date, err error) {
	p, err := match("night", "kitchens/KITCHEN/nights/DATE", name)
	return p.kitchen, p.night, err
}

// ParseOrder returns what is in kitchens/main/nights/2026-11-26/orders/north.
func ParseOrder(name string) (kitchen string, night civil.Date, shop string, err error) {
	p, err := match("order", "kitchens/KITCHEN/nights/DATE/orders/SHOP", name)
	return p.kitchen, p.night, p.last, err
}

// ParsePlan returns what is in kitchens/main/nights/2026-11-26/plans/2; the newest revision is 0.
func ParsePlan(name string) (kitchen string, night civil.Date, revision int, err error) {
	p, err := match("plan", "kitchens/KITCHEN/nights/DATE/plans/REVISION", name)
	return p.kitchen, p.night, p.revision, err
}

// ParseDispatch returns what is in kitchens/main/nights/2026-11-26/dispatches/1; the newest revision is 0.
func ParseDispatch(name string) (kitchen string, night civil.Date, revision int, err error) {
	p, err := match("dispatch", "kitchens/KITCHEN/nights/DATE/dispatches/REVISION", name)
	return p.kitchen, p.night, p.revision, err
}

// ParseManifest returns what is in kitchens/main/nights/2026-11-26/manifests/north-early.
func ParseManifest(name string) (kitchen string, night civil.Date, run string, err error) {
	p, err := match("manifest", "kitchens/KITCHEN/nights/DATE/manifests/RUN", name)
	return p.kitchen, p.night, p.last, err
}

// ParseBatch returns what is in kitchens/main/batches/20261126-03.
func ParseBatch(name string) (kitchen, batch string, err error) {
	p, err := match("batch", "kitchens/KITCHEN/batches/BATCH", name)
	return p.kitchen, p.last, err
}

// ParseLot returns what is in kitchens/main/lots/ and a lot's code.
func ParseLot(name string) (kitchen, code string, err error) {
	p, err := match("lot", "kitchens/KITCHEN/lots/LOT", name)
	return p.kitchen, p.last, err
}

// parts is what stood in the variable places of a name.
type parts struct {
	kitchen  string
	night    civil.Date
	revision int
	last     string // a shop, run, batch or lot
}

var (
	idPattern       = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)
	batchPattern    = regexp.MustCompile(`^[0-9]{8}-[0-9]{2,4}$`)
	lotPattern      = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9.-]{0,63}$`)
	numberPattern   = regexp.MustCompile(`^[1-9][0-9]{0,8}$`)
	revisionPattern = regexp.MustCompile(`^([1-9][0-9]{0,8}|` + newest + `)$`)
)

// match reads a name by a form, in which words in capitals are variable.
func match(noun, form, name string) (parts, error) {
	refuse := func(why string) (parts, error) {
		e := commissary.Refuse(commissary.Invalid, "NAME_INVALID", "%q is not the name of a %s: %s; write %s", name, noun, why, form)
		e.Meta = map[string]string{"name": name, "form": form}
		return parts{}, e
	}
	var p parts
	have, want := strings.Split(name, "/"), strings.Split(form, "/")
	if len(have) != len(want) {
		return refuse("it has too few or too many parts")
	}
	for i, s := range have {
		ok := true
		switch want[i] {
		case "KITCHEN":
			p.kitchen, ok = s, idPattern.MatchString(s)
		case "DATE":
			var err error
			if p.night, err = civil.ParseDate(s); err != nil {
				return refuse(err.Error())
			}
		case "REVISION":
			if ok = revisionPattern.MatchString(s); ok && s != newest {
				p.revision, _ = strconv.Atoi(s)
			}
		case "NUMBER":
			if ok = numberPattern.MatchString(s); ok {
				p.revision, _ = strconv.Atoi(s)
			}
		case "BATCH":
			p.last, ok = s, batchPattern.MatchString(s)
		case "LOT":
			p.last, ok = s, lotPattern.MatchString(s)
		case "SHOP", "RUN":
			p.last, ok = s, idPattern.MatchString(s)
		default:
			if s != want[i] {
				return refuse(strconv.Quote(s) + " stands where " + want[i] + " should")
			}
		}
		if !ok {
			return refuse(strconv.Quote(s) + " is not a " + strings.ToLower(want[i]))
		}
	}
	return p, nil
}
