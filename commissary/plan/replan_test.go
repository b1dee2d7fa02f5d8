package plan

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

// begun turns a plan into what stands of it at an instant: what has begun is
// mixing, what begins within a day is posted, the rest is what was planned.
func begun(p commissary.Plan, at time.Time) (posted, before []commissary.Batch) {
	for _, b := range p.Batches {
		first := b.MixEnd
		for _, s := range b.Steps {
			first = earliest(first, s.From)
		}
		switch {
		case first.Before(at):
			b.State = commissary.BatchMixing
			posted = append(posted, b)
		case first.Before(p.At.Add(24 * time.Hour)):
			b.State = commissary.BatchPosted
			posted = append(posted, b)
		default:
			before = append(before, b)
		}
	}
	return posted, before
}

// firstUse is when the first posted batch that has not begun needs a resource.
// What stands on a bench at a given hour is the search's choice; that something
// comes to it later on is not.
func firstUse(posted []commissary.Batch, resource string) time.Time {
	var from time.Time
	for _, b := range posted {
		for _, s := range b.Steps {
			if b.State == commissary.BatchPosted && s.Resource == resource && (from.IsZero() || s.From.Before(from)) {
				from = s.From
			}
		}
	}
	return from
}

func TestReplanAfterAnOutage(t *testing.T) {
	for _, out := range []struct {
		name, resource string
		hours          int // 0: until further notice
	}{{"the large mixer for four hours", "big-mixer", 4}, {"the large mixer until further notice", "big-mixer", 0}, {"the dough bench for an hour", "dough-bench", 1}} {
		t.Run(out.name, func(t *testing.T) {
			in := demoNight(t)
			first, err := Make(in)
			require.NoError(t, err)
			again := in
			again.At = in.At.Add(3 * time.Hour)
			posted, before := begun(first, again.At)
			o := commissary.Outage{Resource: out.resource, From: firstUse(posted, out.resource), Why: "a belt broke"}
			if out.hours > 0 {
				o.To = o.From.Add(time.Duration(out.hours) * time.Hour)
			}
			again.Outages = []commissary.Outage{o}
			var moved []commissary.Batch
			again.Posted, moved = Standing(posted, again.Outages)
			again.Before = append(before, moved...)
			require.NotEmpty(t, moved, "the outage lies across something posted")
			for _, b := range again.Posted {
				require.False(t, b.State == commissary.BatchPosted && hits(o, b), b.ID)
			}
			p, err := Make(again)
			require.NoError(t, err)
			require.Empty(t, texts(Check(again, p)))
			for _, b := range p.Batches {
				require.False(t, hits(o, b), "%s stands on what is out of order", b.ID)
			}
			said, err := Changes(in.Book, again.Before, p.Batches)
			require.NoError(t, err)
			require.NotEmpty(t, said)
			// With nothing out of order nothing moves.
			quiet := again
			quiet.Outages, quiet.Posted, quiet.Before = nil, posted, before
			q, err := Make(quiet)
			require.NoError(t, err)
			require.Empty(t, texts(Check(quiet, q)))
			said, err = Changes(in.Book, quiet.Before, q.Batches)
			require.NoError(t, err)
			require.Less(t, len(said), len(q.Batches)/2, "most stays as it was: %v", said)
		})
	}
}

// For each kind of limit: the day plans with the smallest help, and not with
// one step less.
func TestTheSmallestHelpIsTheSmallest(t *testing.T) {
	found, tried := map[string]int{}, map[string]bool{}
	for _, c := range []struct {
		name   string
		change func(in *Input)
	}{
		{"no poolish in the tubs", func(in *Input) {
			in.Lots = slices.DeleteFunc(slices.Clone(in.Lots), func(l commissary.Lot) bool { return l.Formula == "poolish" })
		}},
		{"no sauce on hand, little time", func(in *Input) {
			in.Lots = slices.DeleteFunc(slices.Clone(in.Lots), func(l commissary.Lot) bool { return l.Formula == "tomato-sauce" })
		}},
		{"one person", func(in *Input) {
			in.Book.Shifts = slices.Clone(in.Book.Shifts)
			in.Book.Shifts[0].Heads = 2
		}},
		{"a small cold store", func(in *Input) { in.Book.ColdStore.Slots = 330 }},
		{"few boxes", func(in *Input) {
			in.Book.Containers = slices.Clone(in.Book.Containers)
			box := &in.Book.Containers[slices.IndexFunc(in.Book.Containers, func(c commissary.Container) bool { return c.ID == "dough-box" })]
			box.Owned, box.DaysOut = 260, 3
		}},
		{"few dollies", func(in *Input) {
			in.Book.Containers = slices.Clone(in.Book.Containers)
			box := &in.Book.Containers[slices.IndexFunc(in.Book.Containers, func(c commissary.Container) bool { return c.ID == "dough-box" })]
			box.DaysOut, box.PerDolly, box.Dollies = 3, 10, 26
		}},
		{"young lots", func(in *Input) {
			in.Lots = slices.DeleteFunc(slices.Clone(in.Lots), func(l commissary.Lot) bool { return l.Formula == "pan-dough" })
		}},
	} {
		if testing.Short() && c.name != "no poolish in the tubs" {
			continue
		}
		in := demoNight(t)
		in.Steps = 200
		c.change(&in)
		p, err := Make(in)
		require.NoError(t, err)
		for _, e := range p.Exceptions {
			if e.Code != commissary.ReasonShort && e.Code != commissary.ReasonPrefermentCaps || tried[c.name+e.Limit+e.Item+e.BakeDate.String()] {
				continue
			}
			if c.name[:3] == "few" && (found[e.Limit] > 1 || e.Limit != string(limitBoxes) && e.Limit != string(limitDollies)) {
				continue // each costs several plans of the day
			}
			tried[c.name+e.Limit+e.Item+e.BakeDate.String()] = true
			for _, r := range relaxations(in, e) {
				text := smallestOf(in, e, r)
				if text == "" {
					continue
				}
				n := 1
				for r.text(n) != text {
					n++
				}
				found[e.Limit]++
				with, err := Make(r.apply(in, n))
				require.NoError(t, err)
				require.Zero(t, shortOf(with, e.Item, e.BakeDate), "%s: %s", c.name, text)
				if n > 1 {
					without, err := Make(r.apply(in, n-1))
					require.NoError(t, err)
					require.NotZero(t, shortOf(without, e.Item, e.BakeDate), "%s: one step less than %s does as well", c.name, text)
				}
			}
		}
	}
	if testing.Short() {
		return
	}
	require.GreaterOrEqual(t, len(found), 2, "kinds of limit for which help was found: %v", found)
	require.NotZero(t, found[string(limitBoxes)], "%v", found)
	require.NotZero(t, found[string(limitDollies)], "%v", found)
	t.Log(found)
}

// Explain says it where people read it.
func TestExplain(t *testing.T) {
	in := demoNight(t)
	in.Steps = 200
	in.Lots = slices.DeleteFunc(slices.Clone(in.Lots), func(l commissary.Lot) bool { return l.Formula == "poolish" })
	p, err := Make(in)
	require.NoError(t, err)
	told := Explain(in, p)
	i := slices.IndexFunc(told.Exceptions, func(r commissary.Reason) bool { return r.Relax != "" })
	require.GreaterOrEqual(t, i, 0, "%v", told.Exceptions)
	require.Contains(t, told.Exceptions[i].Text, told.Exceptions[i].Relax)
	require.Empty(t, p.Exceptions[i].Relax, "the plan itself is left as it was")
	require.Empty(t, texts(Check(in, told)))
}
