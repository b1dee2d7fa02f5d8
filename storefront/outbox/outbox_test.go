package outbox

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

var noon = time.Date(2026, 11, 26, 17, 0, 0, 0, time.UTC)

func draft(shop string, pieces int64) *v1.SubmitOrderRequest {
	return &v1.SubmitOrderRequest{Name: "kitchens/main/nights/2026-11-26/orders/" + shop,
		Lines: []*v1.OrderLine{{ItemId: "ball", Pieces: pieces}}, RequestId: uuid.NewString()}
}

func receipt(r *v1.SubmitOrderRequest, etag string) *v1.Order {
	return &v1.Order{Name: r.GetName(), Etag: etag, Lines: r.GetLines(), State: v1.OrderState_ORDER_STATE_ACCEPTED}
}

func put(t *testing.T, b *Box, r *v1.SubmitOrderRequest, newest bool) Entry {
	t.Helper()
	e, err := b.Put(noon, r, newest)
	require.NoError(t, err)
	return e
}

func status(t *testing.T, b *Box) []Entry {
	t.Helper()
	s, err := b.Status()
	require.NoError(t, err)
	require.Zero(t, s.Damaged)
	return s.Entries
}

// sameEntries compares what two readings say.
func sameEntries(t *testing.T, want, got []Entry, why ...any) {
	t.Helper()
	require.Len(t, got, len(want), why...)
	for i := range want {
		w, g := want[i], got[i]
		require.True(t, proto.Equal(w.Request, g.Request), why...)
		require.True(t, proto.Equal(w.Order, g.Order), why...)
		w.Request, w.Order, g.Request, g.Order = nil, nil, nil, nil
		require.Equal(t, w, g, why...)
	}
}

func TestADraftStaysUntilItIsSettled(t *testing.T) {
	b := At(filepath.Join(t.TempDir(), "a", "b"))
	require.Empty(t, status(t, b), "an outbox that nobody made")
	_, err := os.Stat(b.Dir())
	require.ErrorIs(t, err, os.ErrNotExist, "looking makes nothing")

	one, two := draft("north", 3), draft("south", 4)
	e := put(t, b, one, false)
	require.Equal(t, Waiting, e.State)
	require.True(t, e.Sealed)
	put(t, b, two, false)
	require.Equal(t, e.ID, put(t, b, one, false).ID, "the same again is the same")
	other := proto.CloneOf(one)
	other.Lines[0].Pieces = 5
	_, err = b.Put(noon, other, false)
	require.ErrorIs(t, err, ErrReused)
	require.Len(t, status(t, b), 2)

	require.NoError(t, b.Note(noon, one.GetRequestId(), "nobody answers"))
	require.Equal(t, "nobody answers", status(t, b)[0].Why)
	got, err := b.Accept(noon, one.GetRequestId(), receipt(one, "1"))
	require.NoError(t, err)
	require.Equal(t, Accepted, got.State)
	got, err = b.Settle(noon, one.GetRequestId(), Refused, "no")
	require.NoError(t, err)
	require.Equal(t, Accepted, got.State, "a receipt is final")
	got, err = b.Settle(noon, two.GetRequestId(), Late, "closed")
	require.NoError(t, err)
	require.True(t, got.Open(), "late is still a draft")
	_, err = b.Accept(noon, uuid.NewString(), receipt(one, "1"))
	require.ErrorContains(t, err, "holds no order")

	three := draft("south", 9)
	put(t, b, three, false)
	list := status(t, b)
	require.Equal(t, Replaced, list[1].State, "the newer draft stands for the late one")
	require.Empty(t, list[2].After)
}

func TestADraftAmendsTheOneBefore(t *testing.T) {
	b := At(t.TempDir())
	one, two := draft("north", 3), draft("north", 4)
	put(t, b, one, false)
	e := put(t, b, two, false)
	require.Equal(t, one.GetRequestId(), e.After)
	require.False(t, e.Sealed, "its etag is not known yet")
	e, err := b.Seal(noon, e.ID, "1")
	require.NoError(t, err)
	require.Equal(t, "1", e.Request.GetEtag())
	e, err = b.Seal(noon, e.ID, "2")
	require.NoError(t, err)
	require.Equal(t, "1", e.Request.GetEtag(), "every attempt is the same message")
	require.Equal(t, e.ID, put(t, b, two, false).ID, "sealed or not, it is the same draft")
}

// A power cut leaves any beginning of the last writes: what was told to be
// kept and lies before the cut is there, and the outbox goes on working.
func TestTornAtEveryByte(t *testing.T) {
	b := At(t.TempDir())
	var after [][]Entry // what the outbox says once the file is so long
	var length []int64
	note := func() {
		info, err := os.Stat(filepath.Join(b.dir, draftFile))
		require.NoError(t, err)
		after, length = append(after, status(t, b)), append(length, info.Size())
	}
	one, two := draft("north", 3), draft("north", 4)
	put(t, b, one, false)
	note()
	_, err := b.Accept(noon, one.GetRequestId(), receipt(one, "1"))
	require.NoError(t, err)
	note()
	put(t, b, draft("west", 1), false)
	note()
	put(t, b, two, true)
	note()
	_, err = b.Seal(noon, two.GetRequestId(), "1")
	require.NoError(t, err)
	note()
	_, err = b.Settle(noon, two.GetRequestId(), Late, "the night is closed – call")
	require.NoError(t, err)
	note()
	whole, err := os.ReadFile(filepath.Join(b.dir, draftFile))
	require.NoError(t, err)
	require.Len(t, whole, int(length[len(length)-1]))

	for cut := int(length[2]); cut <= len(whole); cut++ { // every byte of the last three records
		torn := At(t.TempDir())
		require.NoError(t, os.WriteFile(filepath.Join(torn.dir, draftFile), whole[:cut], 0o600))
		want := 0
		for want < len(length) && int(length[want])-1 <= cut { // the line's end is no part of what it says
			want++
		}
		var expected []Entry
		if want > 0 {
			expected = after[want-1]
		}
		sameEntries(t, expected, status(t, torn), "cut at byte", cut)
		if cut%4 > 0 && cut < len(whole)-8 {
			continue
		}
		e := put(t, torn, draft("east", 7), false)
		list := status(t, torn)
		require.Equal(t, e.ID, list[len(list)-1].ID, "cut at byte %d", cut)
		sameEntries(t, expected, list[:len(list)-1], "cut at byte", cut)
	}
}

// A flipped bit is found, or changes nothing; what can be read is used.
func TestFlippedBits(t *testing.T) {
	b := At(t.TempDir())
	for i := range 5 {
		e := put(t, b, draft(fmt.Sprint("shop-", i), 3), false)
		if i%2 == 0 {
			_, err := b.Accept(noon, e.ID, receipt(e.Request, "1"))
			require.NoError(t, err)
		}
	}
	whole, err := os.ReadFile(filepath.Join(b.dir, draftFile))
	require.NoError(t, err)
	want := status(t, b)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	for i := range 500 {
		at, bit := len(draftHead)+1+r.IntN(len(whole)-len(draftHead)-1), r.IntN(8)
		text := bytes.Clone(whole)
		text[at] ^= 1 << bit
		flipped := At(t.TempDir())
		require.NoError(t, os.WriteFile(filepath.Join(flipped.dir, draftFile), text, 0o600))
		s, err := flipped.Status()
		require.NoError(t, err)
		if s.Damaged == 0 {
			sameEntries(t, want, s.Entries, "seed", seed, "byte", at, "bit", bit)
			continue
		}
		if i%25 > 0 {
			continue
		}
		put(t, flipped, draft("east", 7), false)
		again, err := flipped.Status()
		require.NoError(t, err)
		require.GreaterOrEqual(t, again.Damaged, 1, "it stays visible")
	}
	require.NoError(t, os.WriteFile(filepath.Join(b.dir, draftFile), []byte("doughrun outbox 2\n"), 0o600))
	_, err = b.Status()
	require.ErrorContains(t, err, "newer program")
}

func TestItStaysShort(t *testing.T) {
	b := At(t.TempDir())
	late := draft("late", 1)
	put(t, b, late, false)
	_, err := b.Settle(noon, late.GetRequestId(), Late, "closed")
	require.NoError(t, err)
	var last string
	for i := range 2*draftsKept + 20 {
		e := put(t, b, draft(fmt.Sprint("shop-", i), 3), false)
		_, err := b.Accept(noon, e.ID, receipt(e.Request, "1"))
		require.NoError(t, err)
		last = e.ID
	}
	list := status(t, b)
	require.Less(t, len(list), 2*draftsKept+2)
	require.Equal(t, late.GetRequestId(), list[0].ID, "an open draft is never dropped")
	require.Equal(t, last, list[len(list)-1].ID)
}

// Several programs share an outbox.
func TestSideBySide(t *testing.T) {
	dir := t.TempDir()
	var g sync.WaitGroup
	for i := range 8 {
		g.Go(func() {
			for k := range 5 {
				e, err := At(dir).Put(noon, draft(fmt.Sprintf("s-%d-%d", i, k), 1), false)
				if err == nil {
					_, err = At(dir).Accept(noon, e.ID, receipt(e.Request, "1"))
				}
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	g.Wait()
	require.Len(t, status(t, At(dir)), 40)
	for _, e := range status(t, At(dir)) {
		require.Equal(t, Accepted, e.State)
	}
}

// A disk that is full or broken is told, and what was kept before stays.
func TestAWriteThatFails(t *testing.T) {
	if os.Getuid() == 0 {
		// The owner of everything may write everywhere: a folder in the place of the file stops it.
		b := At(t.TempDir())
		require.NoError(t, os.Mkdir(filepath.Join(b.dir, draftFile), 0o700))
		_, err := b.Put(noon, draft("north", 3), false)
		require.ErrorContains(t, err, "cannot be read")
		return
	}
	b := At(t.TempDir())
	put(t, b, draft("north", 3), false)
	require.NoError(t, os.Chmod(filepath.Join(b.dir, draftFile), 0o400))
	_, err := b.Put(noon, draft("south", 3), false)
	require.ErrorContains(t, err, "not safe yet")
	require.Len(t, status(t, b), 1)
}
