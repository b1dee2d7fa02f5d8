package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/sheet"
	v1 "doughrun/proto/doughrun/v1"
)

// write prints the night for people.
func (n *played) write(w io.Writer) error {
	var out strings.Builder
	for _, r := range n.receipts {
		fmt.Fprintf(&out, "%-10s %s\n", r.shop, r.said)
	}
	fmt.Fprintf(&out, "%-10s refused: %s\n\n", tooLateShop, n.refusal)
	out.WriteString(sheet.Plan(n.plan))
	out.WriteString("\n")
	if n.batch != nil {
		out.WriteString(sheet.Batch(n.batch.GetBatch(), n.batch.GetSheet()))
		out.WriteString("\n")
	}
	one := proto.CloneOf(n.picks)
	one.Runs = one.Runs[:min(1, len(one.Runs))]
	out.WriteString(sheet.Picks(one))
	out.WriteString("\n")
	if len(n.manifests) > 0 {
		out.WriteString(sheet.Manifest(n.manifests[0]))
		out.WriteString("\n")
	}
	out.WriteString("DOCK AND ROAD\n\n" + strings.Join(n.said, "\n") + "\n")
	sums, ok := n.proof()
	out.WriteString("Does it add up?\n")
	for _, s := range sums {
		mark := "yes"
		if !s.Holds {
			mark = "NO "
		}
		fmt.Fprintf(&out, "  %s  %s\n", mark, s.Text)
	}
	if _, err := io.WriteString(w, out.String()); err != nil {
		return err
	}
	if !ok {
		return errors.New("the night does not add up")
	}
	return nil
}

// sum is one equation that must hold.
type sum struct {
	Text  string `json:"text"`
	Holds bool   `json:"holds"`
}

// proof adds up the night from what the service answered.
func (n *played) proof() (sums []sum, ok bool) {
	ok = true
	add := func(holds bool, format string, args ...any) {
		sums = append(sums, sum{fmt.Sprintf(format, args...), holds})
		ok = ok && holds
	}

	var need, taken, served, short int64
	for _, x := range n.plan.GetNeeds() {
		need += x.GetPieces()
	}
	for _, x := range n.plan.GetTakes() {
		taken += x.GetPieces()
	}
	for _, x := range n.plan.GetExceptions() {
		if c := x.GetCode(); c == string(commissary.ReasonShort) || c == string(commissary.ReasonPrefermentCaps) {
			short += x.GetPieces()
		}
	}
	var made int64
	for _, b := range n.plan.GetBatches() {
		for _, x := range b.GetServes() {
			served += x.GetPieces()
		}
		for _, x := range b.GetMakes() {
			made += x.GetPieces()
		}
	}
	add(need == taken+served+short, "plan: %d pieces needed = %d from lots + %d from batches + %d short", need, taken, served, short)
	add(made >= served, "plan: %d pieces made = %d for shops + %d surplus", made, served, made-served)

	// Every accepted line that is delivered this morning is on the dispatch.
	wanted, lines := map[string]int64{}, map[string]int64{}
	var ordered, picked, missing, onPicks, onManifests int64
	whole := true
	for _, l := range n.dispatch.GetLines() {
		lines[l.GetShopId()+" "+l.GetItemId()] += l.GetOrderedPieces()
		ordered += l.GetOrderedPieces()
		picked += l.GetPickedPieces()
		missing += l.GetShortPieces()
		whole = whole && l.GetOrderedPieces() == l.GetPickedPieces()+l.GetShortPieces()
	}
	for _, o := range n.orders {
		for _, l := range o.GetLines() {
			if l.GetBakeDate() == n.dispatch.GetDeliveryDate() {
				wanted[o.GetShopId()+" "+l.GetItemId()] += l.GetPieces()
			}
		}
	}
	there := true
	for key, pieces := range wanted {
		there = there && lines[key] == pieces
	}
	add(there, "dispatch: all %d lines that shops ordered for %s are on it", len(wanted), n.dispatch.GetDeliveryDate())
	add(whole && ordered == picked+missing, "dispatch: %d pieces ordered = %d picked + %d short, line by line", ordered, picked, missing)
	for _, p := range n.dispatch.GetPicks() {
		onPicks += p.GetPieces()
	}
	var boxes, listed int64
	for _, m := range n.manifests {
		boxes += int64(m.GetContainers())
		for _, s := range m.GetStops() {
			listed += int64(s.GetContainers())
			for _, l := range s.GetLines() {
				onManifests += l.GetPieces()
			}
		}
	}
	add(picked == onPicks && onPicks == onManifests, "dock: %d pieces on the lines = %d on the pick lists = %d on the manifests", picked, onPicks, onManifests)
	add(boxes == listed, "dock: %d containers on the vans = the sum of the stops", boxes)

	before := map[string]int64{}
	for code, amount := range n.lotsBefore {
		before[code] = amount
	}
	for _, l := range n.finished {
		before[l.GetCode()] += l.GetPieces() + l.GetMassMg()
	}
	// Lot by lot: what came in is somewhere, or was thrown away or missing.
	lots := true
	var kitchen, atShops, returns, lost int64
	for code, l := range n.ledger {
		sum := int64(0)
		for _, x := range l.GetLot().GetStocks() {
			sum += x.GetPieces()
			switch {
			case x.GetPlace() == commissary.AtKitchen:
				kitchen += x.GetPieces()
			case x.GetPlace() == commissary.AtReturns:
				returns += x.GetPieces()
			default:
				atShops += x.GetPieces()
			}
		}
		lots = lots && sum == l.GetLot().GetPieces()+elsewhere(l.GetLot())
		for i, m := range l.GetMovements() {
			if i > 0 && (m.GetKind() == v1.MovementKind_MOVEMENT_KIND_WASTED || m.GetKind() == v1.MovementKind_MOVEMENT_KIND_COUNTED) {
				sum, lost = sum-m.GetPieces(), lost-m.GetPieces()
			}
		}
		lots = lots && before[code] == sum
	}
	add(lots, "lots: counted + made = %d in the kitchen + %d at shops + %d returned + %d lost, lot by lot", kitchen, atShops, returns, lost)
	var rode, delivered, gone, back int64
	driven := map[string]int64{}
	for _, d := range n.road.GetRide().GetDrops() {
		for _, l := range d.GetLines() {
			rode, delivered, gone, back = rode+l.GetListedPieces(), delivered+l.GetDeliveredPieces(), gone+l.GetMissingPieces(), back+l.GetRefusedPieces()
		}
		driven[d.GetShopId()] = 1
	}
	var asked, without int64
	onRun := map[string]bool{}
	for _, s := range n.road.GetStops() {
		onRun[s.GetShopId()] = true
	}
	for _, l := range n.dispatch.GetLines() {
		if onRun[l.GetShopId()] {
			asked, without = asked+l.GetOrderedPieces(), without+l.GetShortPieces()
		}
	}
	add(asked == rode+without && rode == delivered+gone+back && len(driven) == len(onRun),
		"road: run %s: %d pieces ordered = %d delivered + %d missing + %d refused + %d short", n.road.GetRunId(), asked, delivered, gone, back, without)
	add(delivered == atShops && back == returns, "road: the ledger has the same %d pieces at shops and %d returned", atShops, returns)
	orders := 0
	for _, o := range n.orders {
		if o.GetState() == v1.OrderState_ORDER_STATE_ACCEPTED {
			orders++
		}
	}
	add(orders == len(n.receipts), "orders: %d receipts, %d orders kept: none lost, none doubled", len(n.receipts), orders)
	add(n.chain.GetBrokenSequence() == 0, "audit: all %d rows of the chain verify", n.chain.GetVerified())
	return sums, ok
}

// writeJSON writes the night as one document.
func (n *played) writeJSON(w io.Writer) error {
	sums, ok := n.proof()
	doc := struct {
		Orders    []json.RawMessage `json:"orders"`
		Refusal   string            `json:"refusal"`
		Plan      json.RawMessage   `json:"plan"`
		Batch     json.RawMessage   `json:"batchSheet"`
		Dispatch  json.RawMessage   `json:"dispatch"`
		PickList  json.RawMessage   `json:"pickList"`
		Manifests []json.RawMessage `json:"manifests"`
		Driven    json.RawMessage   `json:"driven"`
		Proof     []sum             `json:"proof"`
	}{Refusal: n.refusal, Proof: sums}
	var failed error
	raw := func(m proto.Message) json.RawMessage {
		b, err := protojson.Marshal(m)
		failed = errors.Join(failed, err)
		var tight bytes.Buffer // protojson varies its blanks
		failed = errors.Join(failed, json.Compact(&tight, b))
		return tight.Bytes()
	}
	for _, o := range n.orders {
		doc.Orders = append(doc.Orders, raw(o))
	}
	doc.Plan, doc.Batch, doc.Dispatch, doc.PickList, doc.Driven = raw(n.plan), raw(n.batch), raw(n.dispatch), raw(n.picks), raw(n.road)
	for _, m := range n.manifests {
		doc.Manifests = append(doc.Manifests, raw(m))
	}
	if failed != nil {
		return failed
	}
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	if err := e.Encode(doc); err != nil {
		return err
	}
	if !ok {
		return errors.New("the night does not add up")
	}
	return nil
}

// elsewhere is what of a lot is not in the kitchen.
func elsewhere(l *v1.Lot) int64 {
	var n int64
	for _, s := range l.GetStocks() {
		if s.GetPlace() != commissary.AtKitchen {
			n += s.GetPieces()
		}
	}
	return n
}
