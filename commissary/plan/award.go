package plan

import (
	"cmp"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Claim is what one shop asks for of something that does not reach for all.
type Claim struct {
	Shop  string
	Asked quantity.Pieces
	Usual quantity.Pieces // what it takes on such a day; 0: not known
}

// Award shares a supply among claims by a policy, in whole containers but for
// the last one. It returns what each claim gets. However it shares, nobody
// gets more than was asked, all of the supply is given as long as somebody
// wants it, more supply never cuts anybody, and of two equal claims neither
// gets more than one container more than the other, the first by shop id in
// front. It does so by filling one fixed row of containers from its beginning:
// which supply there is only says how far.
func Award(policy commissary.Policy, supply quantity.Pieces, claims []Claim, perBox quantity.Pieces) []quantity.Pieces {
	perBox = max(perBox, 1)
	given := make([]quantity.Pieces, len(claims))
	next := proportional
	if policy == commissary.EqualAward {
		next = equalAward
	}
	// What is more than usual is served after everybody's usual: asking for
	// more than one needs is not worth while.
	for _, most := range []func(Claim) quantity.Pieces{usual, asked} {
		for supply > 0 {
			best := -1
			for i, c := range claims {
				if given[i] < most(c) && (best < 0 || next(c, claims[best], given[i], given[best], most, perBox) < 0) {
					best = i
				}
			}
			if best < 0 {
				break
			}
			give := min(perBox, most(claims[best])-given[best], supply)
			given[best] += give
			supply -= give
		}
	}
	return given
}

func asked(c Claim) quantity.Pieces { return max(c.Asked, 0) }

func usual(c Claim) quantity.Pieces {
	if c.Usual > 0 {
		return min(asked(c), c.Usual)
	}
	return asked(c)
}

// proportional puts in front whose claim is largest for what it has: by
// Sainte-Laguë's divisors. Largest remainders are nearer to the quotas, but
// may take a container away when there is one more to share (the Alabama
// paradox; M. L. Balinski and H. P. Young, Fair Representation, from memory).
func proportional(a, b Claim, hasA, hasB quantity.Pieces, most func(Claim) quantity.Pieces, perBox quantity.Pieces) int {
	left := int64(most(a)) * (2*int64(hasB/perBox) + 1)
	right := int64(most(b)) * (2*int64(hasA/perBox) + 1)
	return cmp.Or(cmp.Compare(right, left), cmp.Compare(a.Shop, b.Shop))
}

// equalAward puts in front who has least.
func equalAward(a, b Claim, hasA, hasB quantity.Pieces, _ func(Claim) quantity.Pieces, _ quantity.Pieces) int {
	return cmp.Or(cmp.Compare(hasA, hasB), cmp.Compare(a.Shop, b.Shop))
}
