package plan

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

type sharing func(commissary.Policy, quantity.Pieces, []Claim, quantity.Pieces) []quantity.Pieces

// unfair says which axiom a way of sharing breaks on one case, empty for none.
func unfair(share sharing, p commissary.Policy, supply quantity.Pieces, claims []Claim, perBox quantity.Pieces) string {
	got := share(p, supply, claims, perBox)
	more := share(p, supply+1, claims, perBox)
	again := share(p, supply, claims, perBox)
	var sum, want quantity.Pieces
	split := 0
	for i, c := range claims {
		sum, want = sum+got[i], want+c.Asked
		switch {
		case got[i] < 0 || got[i] > c.Asked:
			return "more than asked"
		case more[i] < got[i]:
			return "more supply cuts somebody"
		case again[i] != got[i]:
			return "not repeatable"
		}
		full := min(c.Asked, max(c.Usual, 0))
		if got[i]%perBox != 0 && got[i] != c.Asked && (full == 0 || (got[i]-full)%perBox != 0) {
			split++
		}
		for j, d := range claims {
			if c.Asked == d.Asked && c.Usual == d.Usual && (got[i]-got[j] > perBox || got[i] > got[j] && c.Shop > d.Shop) {
				return "equal claims, unequal awards"
			}
			if p == commissary.EqualAward && c.Usual == 0 && d.Usual == 0 && got[i]-got[j] > perBox && got[j] < d.Asked {
				return "one has more than another who wants more"
			}
			if p == commissary.Proportional && c.Usual > 0 && got[i] > min(c.Usual, c.Asked) && d.Usual > 0 && got[j] < min(d.Usual, d.Asked) {
				return "beyond the usual before another has its usual"
			}
		}
	}
	switch {
	case sum != min(supply, want):
		return "supply left over, or given twice"
	case split > 1:
		return "more than one container split"
	}
	return ""
}

func randomClaims(r *rand.Rand) (commissary.Policy, quantity.Pieces, []Claim, quantity.Pieces) {
	claims := make([]Claim, 1+r.IntN(7))
	perBox := quantity.Pieces(1 + r.IntN(8))
	var all int64
	for i := range claims {
		claims[i] = Claim{Shop: fmt.Sprintf("s%d", i), Asked: quantity.Pieces(r.IntN(60))}
		if r.IntN(2) == 0 {
			claims[i].Usual = quantity.Pieces(1 + r.IntN(40))
		}
		if i > 0 && r.IntN(3) == 0 {
			claims[i].Asked, claims[i].Usual = claims[i-1].Asked, claims[i-1].Usual
		}
		all += int64(claims[i].Asked)
	}
	policy := commissary.Proportional
	if r.IntN(2) == 0 {
		policy = commissary.EqualAward
	}
	return policy, quantity.Pieces(r.Int64N(all + 3)), claims, perBox
}

func TestAwardKeepsItsAxioms(t *testing.T) {
	cases := 3_000
	if os.Getenv("CASES") == "full" {
		cases = 100_000
	}
	const seed = 5
	for n := range cases {
		policy, supply, claims, perBox := randomClaims(rand.New(rand.NewPCG(seed, uint64(n))))
		require.Empty(t, unfair(Award, policy, supply, claims, perBox), "seed %d case %d: %s %d of %v, %d a box", seed, n, policy, supply, claims, perBox)
	}
}

// The axioms catch ways of sharing that are wrong.
func TestAxiomsCatchMutants(t *testing.T) {
	mutants := map[string]sharing{
		"first come, first served": func(_ commissary.Policy, supply quantity.Pieces, claims []Claim, _ quantity.Pieces) []quantity.Pieces {
			got := make([]quantity.Pieces, len(claims))
			for i, c := range claims {
				got[i] = min(c.Asked, supply)
				supply -= got[i]
			}
			return got
		},
		"largest remainders": func(_ commissary.Policy, supply quantity.Pieces, claims []Claim, _ quantity.Pieces) []quantity.Pieces {
			asked := make([]quantity.Pieces, len(claims))
			var all quantity.Pieces
			for i, c := range claims {
				asked[i] = c.Asked
				all += c.Asked
			}
			got, err := quantity.Apportion(min(supply, all), asked)
			if err != nil {
				return asked
			}
			return got
		},
		"all they ask": func(_ commissary.Policy, _ quantity.Pieces, claims []Claim, _ quantity.Pieces) []quantity.Pieces {
			got := make([]quantity.Pieces, len(claims))
			for i, c := range claims {
				got[i] = c.Asked
			}
			return got
		},
		"the last box is lost": func(p commissary.Policy, supply quantity.Pieces, claims []Claim, perBox quantity.Pieces) []quantity.Pieces {
			return Award(p, supply/perBox*perBox, claims, perBox)
		},
		"usual is not looked at": func(p commissary.Policy, supply quantity.Pieces, claims []Claim, perBox quantity.Pieces) []quantity.Pieces {
			blind := make([]Claim, len(claims))
			for i, c := range claims {
				blind[i] = Claim{Shop: c.Shop, Asked: c.Asked}
			}
			return Award(p, supply, blind, perBox)
		},
	}
	for name, share := range mutants {
		t.Run(name, func(t *testing.T) {
			for n := range 3_000 {
				policy, supply, claims, perBox := randomClaims(rand.New(rand.NewPCG(5, uint64(n))))
				if unfair(share, policy, supply, claims, perBox) != "" {
					return
				}
			}
			require.Fail(t, "no case shows that it is wrong")
		})
	}
}

func TestAwardByHand(t *testing.T) {
	claims := []Claim{{Shop: "a", Asked: 60}, {Shop: "b", Asked: 30}, {Shop: "c", Asked: 10}}
	require.Equal(t, []quantity.Pieces{30, 15, 5}, Award(commissary.Proportional, 50, claims, 5))
	require.Equal(t, []quantity.Pieces{20, 20, 10}, Award(commissary.EqualAward, 50, claims, 5))
	// Who asks for more than its usual waits for what is beyond it.
	claims[0].Usual = 20
	require.Equal(t, []quantity.Pieces{20, 30, 10}, Award(commissary.Proportional, 60, claims, 5))
	require.Equal(t, []quantity.Pieces{30, 30, 10}, Award(commissary.Proportional, 70, claims, 5))
}
