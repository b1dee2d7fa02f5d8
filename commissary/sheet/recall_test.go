package sheet

import (
	"encoding/csv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "doughrun/proto/doughrun/v1"
)

func recallPack() *v1.GetRecallPackResponse {
	lot := &v1.Lot{Code: "flour.L101", IngredientId: "flour", IngredientName: "Flour", Receipt: &v1.Receipt{Supplier: "Hollow Mill", PrintedCode: "L101"}}
	at := timestamppb.New(time.Date(2026, 11, 27, 11, 30, 0, 0, time.UTC))
	return &v1.GetRecallPackResponse{
		Site: &v1.Site{KitchenId: "main", KitchenName: "Quillbrook", TimeZone: "America/New_York", Units: v1.UnitSystem_UNIT_SYSTEM_US},
		Lot:  lot,
		Lots: []*v1.TracedLot{{Lot: lot, Side: v1.TraceSide_TRACE_SIDE_ITSELF, Balance: &v1.Balance{CameIn: 45_359_237, Used: 45_359_237}}},
		Shops: []*v1.RecallShop{{ShopId: "harbor", ShopName: "Harbor Row", Address: "1 Quay", Phone: "555-0111", NightPhone: "555-0112", LotCode: "20261126-03-1G",
			Description: "=House ball", Pieces: 96, LeftPieces: 40, RunIds: []string{"south"}, FirstTime: at, LastTime: at}},
		Transformings: []*v1.TransformingRecord{{InputLotCode: "L101", InputDescription: "Flour", InputQuantity: 45_359_237, InputUnit: "mg", LotCode: "20261126-03-1G",
			Location: "Quillbrook, 4 Tannery Lane", CompletedDate: "2026-11-26", Description: "House ball", Quantity: 200, Unit: "pieces", DocumentType: "batch sheet", DocumentNumber: "20261126-03"}},
		Shippings: []*v1.ShippingRecord{{LotCode: "20261126-03-1G", Quantity: 96, Unit: "pieces", Description: "House ball", Recipient: "Harbor Row, 1 Quay",
			ShippedFrom: "Quillbrook, 4 Tannery Lane", ShippedDate: "2026-11-27", LotCodeSource: "Quillbrook, 4 Tannery Lane", DocumentType: "manifest", DocumentNumber: "south"}},
		Receivings: []*v1.ReceivingRecord{{LotCode: "L101", Quantity: 45_359_237, Unit: "mg", Description: "Flour", Source: "Hollow Mill", ReceivedAt: "Quillbrook, 4 Tannery Lane",
			ReceivedDate: "2026-11-20", LotCodeSource: "Hollow Mill", DocumentType: "delivery note", DocumentNumber: "DN 7"}},
	}
}

// The key data elements of the tables, counted against Title 21 CFR: eight for
// shipping (1.1340), eight for receiving (1.1345), and for transforming (1.1350)
// three of every input and six of the output.
func TestKeyDataElements(t *testing.T) {
	require.Len(t, Shipping, 8, "21 CFR 1.1340")
	require.Len(t, Receiving, 8, "21 CFR 1.1345")
	require.Len(t, TransformingInput, 3, "21 CFR 1.1350: lot code, description, quantity used")
	require.Len(t, TransformingOutput, 6, "21 CFR 1.1350: new lot code, place, date, description, quantity and unit, document")
	files := RecallFiles(recallPack(), false)
	for name, columns := range map[string]int{"shipping.csv": 8, "receiving.csv": 8, "transforming.csv": 10, "shops.csv": 15} {
		rows, err := csv.NewReader(strings.NewReader(files[name])).ReadAll()
		require.NoError(t, err, name)
		require.Len(t, rows, 2, name)
		for _, row := range rows {
			require.Len(t, row, columns, name)
			if name != "shops.csv" {
				for i, cell := range row {
					require.NotEmpty(t, cell, "%s column %d", name, i)
				}
			}
		}
	}
	require.Contains(t, files["transforming.csv"], "100 lb")
	require.Contains(t, files["shops.csv"], "'=House ball", "a spreadsheet must not compute it")
	// A record that lacks an element shows an empty cell, which the check above finds.
	broken := recallPack()
	broken.Shippings[0].ShippedDate = ""
	rows, err := csv.NewReader(strings.NewReader(RecallFiles(broken, false)["shipping.csv"])).ReadAll()
	require.NoError(t, err)
	require.Contains(t, rows[1], "")
}

func TestRecallPage(t *testing.T) {
	page := Recall(recallPack(), true)
	for _, want := range []string{"EXERCISE", "Harbor Row", "555-0112", "NOT ON HOLD", "1 of shipping", "UNKNOWN"} {
		require.Contains(t, page, want)
	}
	for _, line := range strings.Split(page, "\n") {
		require.LessOrEqual(t, cells(line), columns, line)
	}
}

// What people read names the paper, and not the service's own names.
func TestReferences(t *testing.T) {
	require.Equal(t, "count", reference("count 5e4d0c05-1f90-488c-a248-4cea0134c614"))
	require.Equal(t, "run south of the night of Thu 26 Nov", reference("kitchens/main/nights/2026-11-26/manifests/south"))
	require.Equal(t, "DN 7", reference("DN 7"))
}

func TestVariancePage(t *testing.T) {
	v := []*v1.Variance{{FormulaId: "dough", FormulaName: "House dough", VesselId: "mixer", VesselName: "Mixer", ShiftId: "morning", Batches: 3, PlannedPieces: 300, ActualPieces: 291,
		PlannedMassMg: 90_000_000, ActualMassMg: 90_000_000, Probed: 2, TempOffMillicelsius: proto.Int32(1_500), LateSeconds: 600, CostMinor: 5_000, WasteMinor: 120, OffPpm: []int64{0, -30_000, 250_000}}}
	page := Variances(&v1.Site{KitchenName: "Quillbrook", TimeZone: "UTC"}, v)
	for _, want := range []string{"291 of 300 (-3.0 %)", "+1.5 °C", "+10 min", "17.18 a hundred pieces", "thrown away 1.20"} {
		require.Contains(t, strings.Join(strings.Fields(page), " "), want)
	}
	chart := page[strings.Index(page, "-10 %["):]
	require.Equal(t, byte('o'), chart[len("-10 %[")+60], "what is beyond stands at the edge")
	require.Equal(t, byte('o'), chart[len("-10 %[")+30-9], "3 % of 10 % is nine of thirty places")
	rows, err := csv.NewReader(strings.NewReader(VarianceCSV(v))).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 2)
	require.Equal(t, "291", rows[1][6])
}
