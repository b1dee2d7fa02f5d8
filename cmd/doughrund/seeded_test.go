package main

import (
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// seed is a classic mistake of programs like this one, as it would stand in the
// source, and the test that must fail over it.
type seed struct {
	name   string
	fault  string // what brings it to light
	pkg    string // "" for a test of this package, whose programs have the mistake
	test   string
	plants []plant
	short  bool // cheap enough for the short form
}

var seeds = []seed{
	{name: "acknowledged before the commit", fault: "a commit that fails", pkg: "commissary/store", test: "TestFailedCommitEndsTheStore", plants: []plant{{
		file: "commissary/store/write.go", old: "	_, err := began.Exec(\"RELEASE turn\")\n", new: "	_, err := began.Exec(\"RELEASE turn\")\n	w.outcome <- nil\n"}}},
	{name: "request id kept in a transaction of its own", fault: "killed after the commit", test: "TestKilledAtNamedPoints/after_commit", plants: []plant{
		{file: "commissary/server/write.go", old: "	dry := false\n", new: "	dry := false\n	var reply commissary.Reply\n"},
		{file: "commissary/server/write.go", old: "		return tx.Replies(identityOf(ctx)).Put(commissary.Reply{RequestID: req.GetRequestId(), Call: call, Digest: digest, Answer: b, At: w.at})\n	})\n",
			new: `		reply = commissary.Reply{RequestID: req.GetRequestId(), Call: call, Digest: digest, Answer: b, At: w.at}
		return nil
	})
	if err == nil && reply.Call != "" {
		err = c.store.Update(ctx, func(tx commissary.Tx) error { return tx.Replies(identityOf(ctx)).Put(reply) })
	}
`}}},
	{name: "looked for the request id, then wrote", fault: "the same request many times at once", pkg: "commissary/server", test: "TestResendsAtOnce", plants: []plant{
		{file: "commissary/server/write.go", old: "	err := c.store.Update(ctx, func(tx commissary.Tx) error {\n		kept, found, err := settled[A](tx, identityOf(ctx), req.GetRequestId(), digest)\n",
			new: `	var kept A
	var found bool
	if err := c.store.View(ctx, func(tx commissary.Tx) (err error) {
		kept, found, err = settled[A](tx, identityOf(ctx), req.GetRequestId(), digest)
		return err
	}); err != nil {
		return none, err
	}
	err := c.store.Update(ctx, func(tx commissary.Tx) error {
		var err error
`}}},
	{name: "cut-off judged by the time of day", fault: "a clock that is not the machine's", pkg: "commissary/server", test: "TestCutOffsAreJudgedLineByLine", plants: []plant{{
		file: "commissary/server/desk.go", old: "ok && d.at.After(d.cutOff(it, s.bake))", new: "ok && time.Now().After(d.cutOff(it, s.bake))"}}},
	{name: "an amendment adds to what was ordered", fault: "orders amended at once, and resent", test: "TestKilledUnderLoad", plants: []plant{{
		file: "commissary/server/order.go", old: "		o := d.next(commissary.OrderAccepted, w)\n", new: `		for i := range lines {
			for _, l := range d.before.Lines {
				if l.Item == lines[i].Item && l.BakeDate == lines[i].BakeDate {
					lines[i].Pieces += l.Pieces
				}
			}
		}
		o := d.next(commissary.OrderAccepted, w)
`}}},
	{name: "grams as floating point numbers", fault: "large and small quantities against big integers", pkg: "commissary/quantity", test: "TestMulDivAgainstBigIntegers", short: true, plants: []plant{{
		file: "commissary/quantity/quantity.go", old: "	negative := (a < 0) != (b < 0) != (c < 0)\n", new: `	if r == Nearest {
		return int64(float64(a)*float64(b)/float64(c) + 0.5), nil
	}
	negative := (a < 0) != (b < 0) != (c < 0)
`}}},
	{name: "a plan in the order of a map", fault: "the same day planned again", pkg: "commissary/plan", test: "TestMetamorphic", plants: []plant{{
		file: "commissary/plan/demand.go", old: "	slices.SortFunc(services, service.compare)\n\n	needs := make", new: "	needs := make"}}},
	{name: "a list that forgets its kitchen", fault: "two kitchens in one database", pkg: "commissary/store", test: "TestSQLite/Orders", plants: []plant{{
		file: "commissary/store/order.go", old: "		WHERE kitchen = $1 AND `+which", new: "		WHERE $1 <> '' AND `+which"}}},
	{name: "a page token that is anybody's", fault: "another caller's page token", pkg: "commissary/server", test: "TestAPageTokenIsItsCallersOwn", plants: []plant{{
		file: "commissary/server/page.go", old: "sealOf(append([]string{identityOf(ctx), methodOf(ctx)}, filters...))", new: "sealOf(append([]string{methodOf(ctx)}, filters...))"}}},
	{name: "sent again after an internal error", fault: "an answer of every kind", pkg: "storefront", test: "TestARefusalIsTheAnswer", plants: []plant{{
		file: "storefront/client.go", old: "		if !again(err) && ctx.Err() == nil {\n", new: "		if !again(err) && ctx.Err() == nil && (status.Code(err) != codes.Internal || r.Attempts > 3) {\n"}}},
	{name: "a database that syncs at checkpoints only", fault: "power cut", test: "TestPowerCut/FULL", plants: []plant{{
		file: "commissary/store/sqlite.go", old: `+ map[bool]string{true: "2"}[!planted("sync NORMAL") && !planted("sync OFF")]`, new: `+ map[bool]string{true: "1"}[!planted("sync NORMAL") && !planted("sync OFF")]`}}},
	{name: "a cut-off by time.Date", fault: "clocks that change", pkg: "commissary/civil", test: "TestGapsAndFolds", short: true, plants: []plant{{
		file: "commissary/civil/civil.go", old: "	wall := d.midnightUTC().Add(time.Duration(c) * time.Second)\n	// No zone", new: `	if d.Month > 0 {
		return time.Date(d.Year, d.Month, d.Day, 0, 0, int(c), 0, z.location).UTC()
	}
	wall := d.midnightUTC().Add(time.Duration(c) * time.Second)
	// No zone`}}},
}

// seededVar names the seed that the programs of this package's tests are built with.
const seededVar = "SEEDED"

// seededPlants are those of the seed that the environment names.
func seededPlants() []plant {
	for _, s := range seeds {
		if s.name == os.Getenv(seededVar) {
			return s.plants
		}
	}
	return nil
}

// Of twelve classic mistakes each is found by one of the tests, which fails
// over it and says so. The table says by which.
func TestSeededMistakes(t *testing.T) {
	apart(t)
	if os.Getenv(seededVar) != "" {
		t.Skip("a mistake is planted already")
	}
	require.Len(t, seeds, 12)
	var table strings.Builder
	caught, tried := 0, 0
	for _, s := range seeds {
		if !s.short && cases(0, 1) == 0 {
			fmt.Fprintf(&table, "%-46s waits for the full form\n", s.name)
			under := slices.Concat(syncPlants, clockPlants, killPlants)
			if s.pkg != "" {
				under = nil
			}
			overlay(t, t.TempDir(), append(under, s.plants...)) // its place in the source is still there
			continue
		}
		t.Run(s.name, func(t *testing.T) {
			tried++
			by := s.sow(t)
			caught++
			fmt.Fprintf(&table, "%-46s %-48s %s\n", s.name, s.fault, by)
		})
	}
	t.Logf("%d of %d mistakes caught\n%-46s %-48s %s\n%s", caught, tried, "mistake", "fault", "test", table.String())
}

// sow runs the seed's test over its mistake and returns what failed in it.
func (s seed) sow(t *testing.T) string {
	cmd := exec.Command("go", "test", "-count=1", "-vet=off", "-timeout", "5m", "-run", "^"+strings.ReplaceAll(s.test, "/", "$/^"))
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), seededVar+"="+s.name, "CASES=")
	if strings.Contains(s.test, "NamedPoints") { // at every passage
		cmd.Env = append(cmd.Env, "CASES=full")
	}
	if s.pkg == "" {
		cmd.Args = append(cmd.Args, "./cmd/doughrund")
	} else {
		cmd.Args = append(cmd.Args, "-overlay", overlay(t, t.TempDir(), s.plants), "./"+s.pkg)
	}
	out, err := cmd.CombinedOutput()
	require.Error(t, err, "%s does not notice:\n%s", s.test, out)
	failed := regexp.MustCompile(`(?m)^\s*--- FAIL: (\S+)`).FindAllStringSubmatch(string(out), -1)
	require.NotEmpty(t, failed, "the test did not run:\n%s", out)
	return failed[len(failed)-1][1]
}
