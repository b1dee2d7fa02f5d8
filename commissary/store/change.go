package store

import (
	"crypto/sha256"
	"encoding/binary"
	"strconv"

	"doughrun/commissary"
)

type changes struct {
	*tx
	kitchen string
}

func (c changes) Append(change commissary.Change) error {
	// Taking the next place locks the kitchen's chain until the commit.
	var before []byte
	err := c.take(func(s scan) error { return s(&change.Seq, &before) },
		`INSERT INTO chains (kitchen, seq, hash) VALUES ($1, 1, $2)
		ON CONFLICT (kitchen) DO UPDATE SET seq = chains.seq + 1 RETURNING seq, hash`,
		c.kitchen, make([]byte, sha256.Size))
	if err != nil {
		return err
	}
	hash := link(before, c.kitchen, change)
	_, err = c.exec(`INSERT INTO changes (kitchen, seq, at, who, call, subject, detail, hash) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`,
		c.kitchen, change.Seq, micros(change.At), change.Who, change.Call, change.Subject, change.Detail, hash)
	if err != nil {
		return err
	}
	_, err = c.exec(`UPDATE chains SET hash = $1 WHERE kitchen = $2`, hash, c.kitchen)
	return err
}

func (c changes) List(subject string, after int64, limit int) ([]commissary.Change, error) {
	return list(c.tx, scanChange, `SELECT seq, at, who, call, subject, detail, hash FROM changes
		WHERE kitchen = $1 AND seq > $2 AND substr(subject, 1, length($3)) = $3 ORDER BY seq LIMIT $4`,
		c.kitchen, after, subject, most(limit))
}

func (c changes) Verify() (rows int64, err error) {
	before := make([]byte, sha256.Size)
	err = c.each(func(s scan) error {
		change, err := scanChange(s)
		if err != nil {
			return err
		}
		before = link(before, c.kitchen, change)
		if string(before) != string(change.Hash) {
			return c.torn(rows + 1)
		}
		rows++
		return nil
	}, `SELECT seq, at, who, call, subject, detail, hash FROM changes WHERE kitchen = $1 ORDER BY seq`, c.kitchen)
	if err != nil {
		return rows, err
	}
	var end int64
	last := make([]byte, sha256.Size)
	err = c.each(func(s scan) error { return s(&end, &last) }, `SELECT seq, hash FROM chains WHERE kitchen = $1`, c.kitchen)
	if err == nil && (end != rows || string(last) != string(before)) {
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
// eight bytes and texts with their length before them, big end first.
func link(before []byte, kitchen string, c commissary.Change) []byte {
	b := append([]byte("doughrun change 1\x00"), before...)
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
	sum := sha256.Sum256(b)
	return sum[:]
}

func scanChange(s scan) (c commissary.Change, err error) {
	err = s(&c.Seq, instant{&c.At}, &c.Who, &c.Call, &c.Subject, &c.Detail, &c.Hash)
	return c, err
}
