package storefront

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

func TestCode(t *testing.T) {
	o := &v1.Order{Name: "kitchens/main/nights/2026-11-26/orders/north", Revision: 2, Lines: []*v1.OrderLine{{ItemId: "ball", Pieces: 48, BakeDate: "2026-11-27"}}}
	code := Code(o)
	require.Regexp(t, "^[0-9A-HJKMNP-TV-Z]{3}-[0-9A-HJKMNP-TV-Z]{3}-[0-9A-HJKMNP-TV-Z]$", code)
	named := proto.CloneOf(o)
	named.ShopName = "North"
	require.Equal(t, code, Code(named), "names are for people")
	for _, change := range []func(*v1.Order){
		func(o *v1.Order) { o.Revision++ },
		func(o *v1.Order) { o.Lines[0].Pieces++ },
		func(o *v1.Order) { o.Lines[0].BakeDate = "2026-11-28" },
		func(o *v1.Order) { o.State = v1.OrderState_ORDER_STATE_CANCELLED },
	} {
		other := proto.CloneOf(o)
		change(other)
		require.NotEqual(t, code, Code(other))
	}
	got, err := ReadCode(" " + code[:3] + code[3:])
	require.NoError(t, err)
	require.Equal(t, code, got)
}

func TestMisheardCodes(t *testing.T) {
	code := []byte("4TQR7W")
	whole := append(code, codeDigits[check(code)])
	_, err := ReadCode(string(whole))
	require.NoError(t, err)
	for i := range whole {
		for _, c := range []byte(codeDigits) {
			wrong := append([]byte(nil), whole...)
			if wrong[i] == c {
				continue
			}
			wrong[i] = c
			_, err := ReadCode(string(wrong))
			require.Error(t, err, string(wrong))
		}
	}
	missed, swaps := 0, 0
	for a := range 32 {
		for b := range 32 {
			if a == b {
				continue
			}
			x := []byte{codeDigits[a], codeDigits[b], '0', '0', '0', '0'}
			y := []byte{codeDigits[b], codeDigits[a], '0', '0', '0', '0'}
			swaps++
			if check(x) == check(y) {
				missed++
			}
		}
	}
	require.LessOrEqual(t, missed*100, swaps, "%d of %d swaps are missed", missed, swaps)
	for _, s := range []string{"", "4TQ", "4TQR7WXX", "4TQ!7WX", "éTQR7WX"} {
		_, err := ReadCode(s)
		require.Error(t, err, s)
	}
}

// A code that is taken is in its written form, and that form is taken as itself.
func FuzzReadCode(f *testing.F) {
	for _, s := range []string{"4TQ-R7W-X", "4tq r7wo", "", "---", "İ", "4TQR7W\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		code, err := ReadCode(s)
		if err != nil {
			return
		}
		again, err := ReadCode(code)
		require.NoError(t, err)
		require.Equal(t, code, again)
	})
}
