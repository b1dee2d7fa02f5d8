package server

import (
	"context"
	"slices"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// grant says how far a role may go with a call.
type grant int8

const (
	no  grant = iota // not at all
	own              // where it concerns the caller's own shop or run
	all              // in the whole kitchen
)

// access is the one table of who may call what, by role in the order of
// commissary.Roles. A call without a row is nobody's. What stands here stands
// in the contract too, in the words "For ..." of each call.
var access = map[string][5]grant{
	//                                                shop baker driver planner owner
	v1.KitchenService_AdoptBook_FullMethodName:         {no, no, no, all, all},
	v1.KitchenService_GetBook_FullMethodName:           {all, all, all, all, all}, // see narrow
	v1.KitchenService_ListBookRevisions_FullMethodName: {no, all, no, all, all},

	v1.OrderService_SubmitOrder_FullMethodName:    {own, all, no, all, all},
	v1.OrderService_GetOrder_FullMethodName:       {own, all, no, all, all},
	v1.OrderService_GetReceipt_FullMethodName:     {own, all, no, all, all},
	v1.OrderService_ListOrders_FullMethodName:     {no, all, no, all, all},
	v1.OrderService_CancelOrder_FullMethodName:    {own, all, no, all, all},
	v1.OrderService_AdmitLateOrder_FullMethodName: {no, no, no, all, all},
	v1.OrderService_SubmitCount_FullMethodName:    {own, all, no, all, all},
	v1.OrderService_ImportSales_FullMethodName:    {no, all, no, all, all},
	v1.OrderService_ProposeOrder_FullMethodName:   {own, all, no, all, all},
	v1.OrderService_GetCatalog_FullMethodName:     {own, all, no, all, all},

	v1.NightService_GetNight_FullMethodName:   {all, all, no, all, all},
	v1.NightService_ListNights_FullMethodName: {no, all, no, all, all},
	v1.NightService_CloseNight_FullMethodName: {no, no, no, all, all},

	v1.PlanService_DraftPlan_FullMethodName:    {no, all, no, all, all},
	v1.PlanService_CheckPlan_FullMethodName:    {no, all, no, all, all},
	v1.PlanService_ReleasePlan_FullMethodName:  {no, no, no, all, all},
	v1.PlanService_GetPlan_FullMethodName:      {no, all, no, all, all},
	v1.PlanService_ListPlans_FullMethodName:    {no, all, no, all, all},
	v1.PlanService_ReportOutage_FullMethodName: {no, all, no, all, all},
	v1.PlanService_EndOutage_FullMethodName:    {no, all, no, all, all},
	v1.PlanService_ListOutages_FullMethodName:  {no, all, no, all, all},

	v1.BatchService_GetBatch_FullMethodName:      {no, all, no, all, all},
	v1.BatchService_ListBatches_FullMethodName:   {no, all, no, all, all},
	v1.BatchService_StartBatch_FullMethodName:    {no, all, no, all, all},
	v1.BatchService_FinishBatch_FullMethodName:   {no, all, no, all, all},
	v1.BatchService_ScrapBatch_FullMethodName:    {no, all, no, all, all},
	v1.BatchService_CorrectBatch_FullMethodName:  {no, all, no, all, all},
	v1.BatchService_ListVariances_FullMethodName: {no, all, no, all, all},

	v1.LotService_CountStock_FullMethodName:     {no, all, no, all, all},
	v1.LotService_GetLot_FullMethodName:         {no, all, no, all, all},
	v1.LotService_ListLots_FullMethodName:       {no, all, no, all, all},
	v1.LotService_MoveLot_FullMethodName:        {own, all, own, all, all},
	v1.LotService_HoldLot_FullMethodName:        {no, all, no, all, all},
	v1.LotService_ReleaseLot_FullMethodName:     {no, all, no, all, all},
	v1.LotService_DestroyLot_FullMethodName:     {own, all, no, all, all},
	v1.LotService_ReceiveLot_FullMethodName:     {no, all, no, all, all},
	v1.LotService_SettleLot_FullMethodName:      {no, all, no, all, all},
	v1.LotService_ChangeLotInUse_FullMethodName: {no, all, no, all, all},
	v1.LotService_GetIssueSheet_FullMethodName:  {no, all, no, all, all},
	v1.LotService_SuggestSurplus_FullMethodName: {no, all, no, all, all},
	v1.LotService_TraceLot_FullMethodName:       {no, all, no, all, all},
	v1.LotService_GetRecallPack_FullMethodName:  {no, all, no, all, all},

	v1.DispatchService_DraftDispatch_FullMethodName:   {no, all, no, all, all},
	v1.DispatchService_CheckDispatch_FullMethodName:   {no, all, no, all, all},
	v1.DispatchService_ReleaseDispatch_FullMethodName: {no, all, no, all, all},
	v1.DispatchService_GetDispatch_FullMethodName:     {no, all, no, all, all},
	v1.DispatchService_GetPickList_FullMethodName:     {no, all, no, all, all},
	v1.DispatchService_GetManifest_FullMethodName:     {no, all, own, all, all},
	v1.DispatchService_CompareOrder_FullMethodName:    {no, all, own, all, all},
	v1.DispatchService_ListManifests_FullMethodName:   {no, all, no, all, all},
	v1.DispatchService_RecordPick_FullMethodName:      {no, all, no, all, all},
	v1.DispatchService_DepartRun_FullMethodName:       {no, all, own, all, all},
	v1.DispatchService_ConfirmStop_FullMethodName:     {no, all, own, all, all},

	v1.AuditService_ListChanges_FullMethodName: {own, no, no, all, all},
	v1.AuditService_VerifyChain_FullMethodName: {no, no, no, all, all},
}

// admits lets a call pass that the caller may make. It looks at names only, so
// that what is not the caller's and what is not there are refused alike, and
// before anything else of the request is judged.
func (c *core) admits(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	who := callOf(ctx).caller
	if who == nil { // on this machine only, without access control
		return next(ctx, req)
	}
	may, err := c.may(ctx, *who, info.FullMethod, req)
	if err != nil {
		return nil, err
	}
	if !may {
		return nil, commissary.Refuse(commissary.Denied, "NOT_ALLOWED",
			"this is not there, or %s may not do it; check the name, or ask the owner of the kitchen", who.Name)
	}
	resp, err := next(ctx, req)
	if err == nil {
		narrow(*who, resp)
	}
	return resp, err
}

func (c *core) may(ctx context.Context, who commissary.Caller, method string, req any) (bool, error) {
	role := slices.Index(commissary.Roles(), who.Role)
	if role < 0 || kitchenOf(req) != who.Kitchen {
		return false, nil
	}
	switch access[method][role] {
	case all:
		return true, nil
	case own:
		return c.owns(ctx, who, req)
	}
	return false, nil
}

// kitchenOf is the kitchen that a request names: its resource name is its
// first field.
func kitchenOf(req any) string {
	rest, ok := strings.CutPrefix(nameOf(req), "kitchens/")
	if !ok {
		return ""
	}
	id, _, _ := strings.Cut(rest, "/")
	return id
}

func nameOf(req any) string {
	m, ok := req.(proto.Message)
	if !ok {
		return ""
	}
	r := m.ProtoReflect()
	f := r.Descriptor().Fields().ByNumber(1)
	if f == nil || f.Kind() != protoreflect.StringKind || f.IsList() {
		return ""
	}
	return r.Get(f).String()
}

// owns reports whether a request concerns the caller's shop or run alone.
func (c *core) owns(ctx context.Context, who commissary.Caller, req any) (bool, error) {
	switch r := req.(type) {
	case *v1.SubmitOrderRequest: // only the kitchen writes down what was telephoned
		return r.GetPhonedBy() == "" && ownOrder(who, r.GetName()), nil
	case *v1.MoveLotRequest:
		return c.carries(ctx, who, r.GetName(), r.GetFrom(), r.GetTo())
	case *v1.DestroyLotRequest:
		return c.carries(ctx, who, r.GetName(), r.GetPlace(), waste)
	case *v1.ListChangesRequest:
		return ownOrder(who, r.GetSubject()), nil
	}
	if of, ok := req.(interface{ GetShopId() string }); ok && who.Role == commissary.RoleShop {
		return of.GetShopId() == who.Scope, nil
	}
	parts := strings.Split(nameOf(req), "/")
	noun := map[commissary.Role]string{commissary.RoleShop: "orders", commissary.RoleDriver: "manifests"}[who.Role]
	return len(parts) == 6 && parts[4] == noun && parts[5] == who.Scope, nil
}

// ownOrder reports whether a name is that of an order of the caller's shop.
func ownOrder(who commissary.Caller, name string) bool {
	parts := strings.Split(name, "/")
	return len(parts) == 6 && parts[0] == "kitchens" && parts[1] == who.Kitchen && parts[4] == "orders" && parts[5] == who.Scope
}

// carries reports whether a shop or driver may move a lot between two places: a
// shop takes in what a van brings and sends off or throws away what it has, a
// driver hands over what is on the van or brings it back. The lot must have
// been in the caller's hands; afterwards a resend still finds its answer.
func (c *core) carries(ctx context.Context, who commissary.Caller, name, from, to string) (bool, error) {
	mine := func(place string) bool { return holds(who, place) }
	_, at, van := commissary.VanOf(from)
	away := to == commissary.AtReturns || to == waste
	switch {
	case !mine(from):
		return false, nil
	case van && to != at && (who.Role == commissary.RoleShop || !away), !van && !away:
		return false, nil
	}
	code := name[strings.LastIndexByte(name, '/')+1:]
	had := false
	err := c.store.View(ctx, func(tx commissary.Tx) error {
		moves, err := tx.Lots(who.Kitchen).Moves([]string{code})
		had = slices.ContainsFunc(moves, func(m commissary.Movement) bool { return mine(m.Place) || mine(m.To) })
		return err
	})
	return had, err
}

// holds reports whether what is at a place is in a caller's hands. What rides
// to a shop is in the shop's and in the driver's.
func holds(who commissary.Caller, place string) bool {
	run, shop, van := commissary.VanOf(place)
	switch who.Role {
	case commissary.RoleShop:
		return place == who.Scope || van && shop == who.Scope
	case commissary.RoleDriver:
		return van && run == who.Scope
	}
	return true
}

// narrow takes out of an answer to a shop or a driver what is not theirs.
func narrow(who commissary.Caller, resp any) {
	if who.Role != commissary.RoleShop && who.Role != commissary.RoleDriver {
		return
	}
	switch r := resp.(type) {
	case *v1.GetBookResponse:
		c := r.GetCatalogue()
		r.Source = nil
		c.Shops = slices.DeleteFunc(c.GetShops(), func(s *v1.CatalogueShop) bool {
			return who.Role != commissary.RoleShop || s.GetId() != who.Scope
		})
	case *v1.GetNightResponse: // whom else the kitchen has to call is its own business
		n := r.GetNight()
		n.SilentShops = slices.DeleteFunc(n.GetSilentShops(), func(s *v1.SilentShop) bool { return s.GetShopId() != who.Scope })
	case interface{ GetLot() *v1.Lot }:
		l := r.GetLot()
		l.Stocks = slices.DeleteFunc(l.GetStocks(), func(s *v1.Stock) bool { return !holds(who, s.GetPlace()) })
		if !holds(who, l.GetPlace()) {
			l.Place, l.Pieces, l.MassMg = "", 0, 0
		}
	case *v1.ListChangesResponse: // how much the whole kitchen does is not the shop's
		for _, c := range r.GetChanges() {
			c.Sequence, c.Hash = 0, nil
		}
	}
}
