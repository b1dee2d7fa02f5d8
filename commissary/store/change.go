package store

import (
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"maps"
	"slices"
	"strconv"
	"time"

	"doughrun/commissary"
)

type changes struct {
	*tx
	kitchen string
}

// Append enters a change when the rest of its transaction is done, for it holds
// the rows that were written.
func (c changes) Append(change commissary.Change) error {
	if err := c.ready(true); err != nil {
		return err
	}
	c.entered = append(c.entered, entry{kitchen: c.kitchen, change: change})
	return nil
}

// entry is a change that waits for the end of its transaction.
type entry struct {
	kitchen string
	change  commissary.Change
	facts   []byte // the rows, as appendImage writes them
}

// enter writes the changes of a transaction. A kitchen's rows go with its last
// change, the rows of none with the last of all.
func (t *tx) enter() error {
	for _, k := range slices.Sorted(maps.Keys(t.wrote)) {
		i := len(t.entered) - 1
		for i >= 0 && k != "" && t.entered[i].kitchen != k {
			i--
		}
		if i < 0 {
			t.entered, i = append(t.entered, untold(k)), len(t.entered)
		}
		t.entered[i].facts = append(t.entered[i].facts, t.wrote[k]...)
	}
	for _, e := range t.entered {
		var err error
		if e.facts, err = pack(e.facts); err != nil {
			return t.fault(err)
		}
		if err := t.chain(e); err != nil {
			return err
		}
	}
	return nil
}

// untold is the change of a transaction that wrote rows of a kitchen and
// recorded none. It is as old as the one before it.
func untold(kitchen string) entry {
	return entry{kitchen: kitchen, change: commissary.Change{At: time.UnixMicro(0), Who: "doughrun", Detail: "kept by the service itself"}}
}

// ends are those of the chains that a commit makes longer, by kitchen. The
// database learns of them once a commit, just before it.
type ends map[string]end

type end struct {
	seq  int64
	hash []byte
	at   time.Time
}

// chain writes a change at the end of its kitchen's chain.
func (t *tx) chain(e entry) error {
	t.in(e.kitchen)
	before, ok := t.ends[e.kitchen]
	if !ok {
		// Taking the next place locks the kitchen's chain until the commit.
		err := t.take(func(s scan) error { return s(&before.seq, &before.hash, instant{&before.at}) },
			`INSERT INTO chains (kitchen, seq, hash, at) VALUES ($1, 1, $2, 0)
			ON CONFLICT (kitchen) DO UPDATE SET seq = chains.seq + 1 RETURNING seq - 1, hash, at`,
			e.kitchen, make([]byte, sha256.Size))
		if err != nil {
			return err
		}
	}
	change := e.change
	change.Seq = before.seq + 1
	if change.At.Before(before.at) {
		change.At = before.at
	}
	hash := link(before.hash, e.kitchen, change, e.facts)
	_, err := t.raw(`INSERT INTO changes (kitchen, seq, at, who, call, subject, detail, facts, hash) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		e.kitchen, change.Seq, micros(change.At), change.Who, change.Call, change.Subject, change.Detail, bytes(e.facts), hash)
	if t.ends == nil {
		t.ends = ends{}
	}
	t.ends[e.kitchen] = end{change.Seq, hash, change.At}
	return err
}

// move tells the database where the chains end.
func (e ends) move(began *sql.Tx) error {
	for _, kitchen := range slices.Sorted(maps.Keys(e)) {
		to := e[kitchen]
		if _, err := began.Exec(`UPDATE chains SET seq = $1, hash = $2, at = $3 WHERE kitchen = $4`, to.seq, to.hash, micros(to.at), kitchen); err != nil {
			return err
		}
	}
	return nil
}

// Newest is read from the ends of the chains.
func (t *tx) Newest() (at time.Time, err error) {
	err = t.each(func(s scan) error { return s(instant{&at}) }, `SELECT max(at) FROM chains`)
	for _, e := range t.ends {
		if e.at.After(at) {
			at = e.at
		}
	}
	return at, err
}

func (c changes) List(subject string, after int64, limit int) ([]commissary.Change, error) {
	return list(c.tx, scanChange, `SELECT seq, at, who, call, subject, detail, hash FROM changes
		WHERE kitchen = $1 AND seq > $2 AND substr(subject, 1, length($3)) = $3 ORDER BY seq LIMIT $4`,
		c.kitchen, after, subject, most(limit))
}

func (c changes) Last() (seq int64, err error) {
	e, err := c.end()
	return e.seq, err
}

// end is where the kitchen's chain ends as the transaction sees it.
func (c changes) end() (e end, err error) {
	if e, ok := c.ends[c.kitchen]; ok {
		return e, c.ready(false)
	}
	e.hash = make([]byte, sha256.Size)
	err = c.each(func(s scan) error { return s(&e.seq, &e.hash, instant{&e.at}) }, `SELECT seq, hash, at FROM chains WHERE kitchen = $1`, c.kitchen)
	return e, err
}

func (c changes) Verify() (rows int64, err error) {
	if rows, err = c.chained(); err == nil {
		err = c.whole(c.kitchen)
	}
	return rows, err
}

// chained computes the chain afresh and returns how many rows hold.
func (c changes) chained() (rows int64, err error) {
	before := make([]byte, sha256.Size)
	newest := time.UnixMicro(0)
	err = c.each(func(s scan) error {
		var change commissary.Change
		var facts []byte
		if err := s(&change.Seq, instant{&change.At}, &change.Who, &change.Call, &change.Subject, &change.Detail, &change.Hash, &facts); err != nil {
			return err
		}
		before = link(before, c.kitchen, change, facts)
		if string(before) != string(change.Hash) {
			return c.torn(rows + 1)
		}
		if change.At.After(newest) {
			newest = change.At
		}
		rows++
		return nil
	}, `SELECT seq, at, who, call, subject, detail, hash, facts FROM changes WHERE kitchen = $1 ORDER BY seq`, c.kitchen)
	if err != nil {
		return rows, err
	}
	last, err := c.end()
	if err == nil && (last.seq != rows || string(last.hash) != string(before) || rows > 0 && !last.at.Equal(newest)) {
		err = c.torn(rows + 1)
	}
	return rows, err
}

func (c changes) torn(seq int64) *commissary.Error {
	e := commissary.Refuse(commissary.Precondition, "CHAIN_BROKEN",
		"the record of changes of kitchen %s was altered at row %d; keep this database as it is, and compare it with a backup", c.kitchen, seq)
	e.Meta = map[string]string{"seq": strconv.FormatInt(seq, 10)}
	return e
}

// link is the hash of a change, over the hash before it and the change's
// canonical bytes: a label, then every field in the order below, numbers as
// eight bytes and texts with their length before them, big end first; then the
// rows, as they are. A change without rows has another label and ends before them.
func link(before []byte, kitchen string, c commissary.Change, facts []byte) []byte {
	label := "doughrun change 1\x00"
	if len(facts) > 0 {
		label = "doughrun change 2\x00"
	}
	b := append(make([]byte, 0, 512+len(facts)), label...)
	b = append(b, before...)
	number := func(n int64) { b = binary.BigEndian.AppendUint64(b, uint64(n)) }
	text := func(s string) {
		number(int64(len(s)))
		b = append(b, s...)
	}
	text(kitchen)
	number(c.Seq)
	number(c.At.UnixMicro())
	text(c.Who)
	text(c.Call)
	text(c.Subject)
	text(c.Detail)
	sum := sha256.Sum256(append(b, facts...))
	return sum[:]
}

func scanChange(s scan) (c commissary.Change, err error) {
	err = s(&c.Seq, instant{&c.At}, &c.Who, &c.Call, &c.Subject, &c.Detail, &c.Hash)
	return c, err
}
