package commissary_test

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A room is one package of the module, with the folder internal below it.
type room struct {
	path string   // from the top of the module
	may  []string // rooms it may reach, by however many steps; a room's own internal packages come with it
	// never lists packages outside the module that its files may not import themselves, each with everything below it.
	// Only direct imports count: fmt alone pulls in os.
	never []string
	pure  bool   // no clock and no randomness but what the caller hands in
	races bool   // it may do things at the same time, so the gate runs its tests under the race detector
	why   string // printed with every breach
}

// Groups of rooms that appear together.
var (
	leaves = []string{"commissary/quantity", "commissary/civil"}
	nouns  = append([]string{"commissary"}, leaves...)
	rules  = append([]string{"commissary/formula", "commissary/ferment", "commissary/safety", "commissary/forecast",
		"commissary/trace"}, nouns...)
	planning = append([]string{"commissary/plan", "commissary/plan/internal/sched", "commissary/plan/internal/route"}, rules...)
	contract = []string{"proto", "proto/doughrun/v1"}

	// world is what the nouns have no business with; the store's contract among them still carries a context.
	world = []string{"os", "io/ioutil", "io/fs", "net", "syscall", "database/sql", "log", "crypto/rand"}
	// outside is what a room that only computes has no business with.
	outside = append([]string{"context"}, world...)
)

// rooms is the table of who may reach whom. A new package needs a row here, with its reason.
var rooms = []room{
	{path: "commissary", may: leaves, never: world, pure: true,
		why: "the vocabulary outlives every technology"},
	{path: "commissary/quantity", never: outside, pure: true,
		why: "a leaf: quantities mean the same everywhere"},
	{path: "commissary/civil", never: outside, pure: true,
		why: "a leaf: the one place that turns civil times into instants, from what it is given"},
	{path: "commissary/formula", may: nouns, never: outside, pure: true,
		why: "pure arithmetic a baker can check by hand"},
	{path: "commissary/ferment", may: nouns, never: outside, pure: true,
		why: "pure arithmetic a baker can check by hand"},
	{path: "commissary/safety", may: nouns, never: outside, pure: true,
		why: "pure arithmetic a baker can check by hand"},
	{path: "commissary/forecast", may: nouns, never: outside, pure: true,
		why: "pure arithmetic a baker can check by hand"},
	{path: "commissary/trace", may: nouns, never: outside, pure: true,
		why: "pure arithmetic a baker can check by hand"},
	{path: "commissary/plan", may: planning, never: outside, pure: true,
		why: "same day in, same plan out, byte for byte"},
	{path: "commissary/plan/internal/sched", never: outside, pure: true,
		why: "tested on textbook instances and replaceable whole, so it knows no kitchen word"},
	{path: "commissary/plan/internal/route", never: outside, pure: true,
		why: "tested on textbook instances and replaceable whole, so it knows no kitchen word"},
	{path: "commissary/book", may: nouns, never: []string{"os", "io/ioutil", "net", "google.golang.org/protobuf"},
		why: "files are one door and the wire another; it reads bytes and opens nothing"},
	{path: "commissary/wire", may: slices.Concat(nouns, contract),
		why: "one translation, used by service and command line"},
	{path: "commissary/store/storetest", may: nouns, never: []string{"database/sql"}, races: true,
		why: "the contract of the store, as tests that any store must pass"},
	{path: "commissary/store", may: nouns, never: []string{"google.golang.org/grpc", "google.golang.org/protobuf"}, races: true,
		why: "storage keeps facts and holds no rules"},
	{path: "commissary/server", may: slices.Concat(planning, contract, []string{"commissary/book", "commissary/wire"}), races: true,
		why: "it sees only the contract of the store; wiring belongs to cmd"},
	{path: "commissary/sheet", may: slices.Concat(leaves, contract),
		why: "the contract is the border; the server hands finished totals"},
	{path: "storefront", may: slices.Concat(leaves, contract, []string{"storefront/outbox"}),
		why: "the contract is the border; the server hands finished totals"},
	{path: "storefront/outbox", may: slices.Concat(leaves, contract),
		why: "the contract is the border; a waiting request is kept as it will be sent"},
	{path: "config",
		why: "a leaf: settings are known only where a program starts"},
	{path: "config/keys",
		why: "a leaf: keys, certificates and tokens, for whoever starts a program"},
	{path: "proto",
		why: "a leaf: it only regenerates the contract"},
	{path: "proto/doughrun/v1",
		why: "a leaf: the contract stands on nothing of ours"},
	{path: "cmd/papers", may: slices.Concat(planning, contract, []string{"commissary/sheet", "commissary/book", "commissary/wire"}),
		why: "a night's papers are the same whoever asks for them, so the command line and the service share it; the planner says what fills the boxes"},
	{path: "cmd/manual",
		why: "both programs write their manual page from their own commands"},
	{path: "cmd/version",
		why: "both programs say which they are in the same words"},
	{path: "cmd/doughrun", may: slices.Concat(planning, contract, []string{"cmd/manual", "cmd/version", "cmd/papers", "storefront", "storefront/outbox",
		"commissary/sheet", "commissary/book", "commissary/wire", "config", "config/keys"}),
		why: "the command line never opens a database"},
	{path: "cmd/doughrund", may: everyRoom, races: true,
		why: "the one place that knows all"},
}

// everyRoom as the value of may lifts the rule.
var everyRoom = []string{"*"}

// notYet lists the rooms of the table that nobody has built. A room that exists may not stand here, so the list empties.
var notYet = []string{}

// sole lists packages outside the module that one room alone may import.
var sole = []struct{ path, room, why string }{
	{"github.com/spf13/viper", "config", "settings have one reader"},
	{"database/sql", "commissary/store", "one room speaks SQL"},
	{"modernc.org/sqlite", "commissary/store", "one room speaks SQL"},
	{"github.com/pressly/goose", "commissary/store", "one room speaks SQL"},
	{"github.com/jackc/pgx", "commissary/store", "one room speaks SQL"},
	{"github.com/prometheus/client_golang", "commissary/server", "it alone is measured"},
	{"go.opentelemetry.io/otel/sdk", "cmd/doughrund", "where traces go is the operator's, not the service's"},
	{"go.opentelemetry.io/otel/exporters", "cmd/doughrund", "where traces go is the operator's, not the service's"},
}

func TestEveryRoomStandsInTheTable(t *testing.T) {
	require.Empty(t, unlisted(load(t), rooms, notYet))
}

func TestRoomsReachOnlyWhatTheyMay(t *testing.T) {
	packages := load(t)
	require.Empty(t, reaches(packages, rooms))
	require.Empty(t, imports(packages, rooms))
}

// Where nothing runs at the same time there is nothing for the race detector to find.
func TestTheGateLooksForRaces(t *testing.T) {
	gate, err := os.ReadFile("../.ci/short")
	require.NoError(t, err)
	for _, r := range rooms {
		if r.races && r.path != "commissary/store/storetest" { // its tests are run by the store's
			require.Contains(t, strings.Fields(string(gate)), "./"+r.path, ".ci/short does not look for races in %s", r.path)
		}
	}
}

func TestNoAmbientTimeOrRandomness(t *testing.T) {
	for _, p := range load(t) {
		r, _ := roomOf(p.path, rooms)
		for _, file := range p.files {
			found, err := ambient(file, nil, p.path, r)
			require.NoError(t, err)
			require.Empty(t, found)
		}
	}
}
