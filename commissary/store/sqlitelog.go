package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// SQLite takes a log (the file with -wal behind its name) as far as its
// checksums hold and drops the rest in silence, for that is what a power cut
// leaves. A damaged frame in the midst of the log would take every change after
// it along. So the log is read before SQLite does ("WAL-mode File Format",
// sqlite.org, sections 2 and 3).

// logState is what a log is found to be.
type logState int

const (
	logWhole logState = iota
	logCut            // the newest transaction is not whole
	logDamaged
)

// checkLog refuses a database whose log is damaged where it was on the disk
// already, and reports whether its newest transaction is not whole.
func checkLog(path string) (cut bool, err error) {
	var state logState
	for range 3 { // whoever has the database open may be writing
		if state, err = readLog(path + "-wal"); err != nil || state == logWhole {
			return false, err
		}
		time.Sleep(20 * time.Millisecond)
	}
	if state == logDamaged {
		return false, fmt.Errorf("its log %s-wal was damaged after it was written, and what was saved last cannot be read; keep both files as they are, and restore the newest backup", path)
	}
	return true, nil
}

func readLog(path string) (logState, error) {
	log, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && len(log) <= 32 {
		return logWhole, nil
	}
	if err != nil {
		return logWhole, err
	}
	var words binary.ByteOrder = binary.LittleEndian
	if log[3]&1 != 0 {
		words = binary.BigEndian
	}
	be := binary.BigEndian.Uint32
	// The header is on the disk before the first frame.
	sum := logSum(words, [2]uint32{}, log[:24])
	size := 24 + int(be(log[8:]))
	if be(log)&^1 != 0x377f0682 || sum != [2]uint32{be(log[24:]), be(log[28:])} || size < 24+512 {
		return logDamaged, nil
	}
	// A commit is on the disk before the next transaction is written, so that
	// only the newest may be in pieces: behind its commit nothing follows.
	state, broken, committed := logWhole, false, false
	for rest := log[32:]; len(rest) >= size; rest = rest[size:] {
		frame := rest[:size]
		next := logSum(words, logSum(words, sum, frame[:8]), frame[24:])
		// What a frame says of the sum is taken for the ones behind it.
		sum = [2]uint32{be(frame[16:]), be(frame[20:])}
		// The salts say which round of the log a frame is of: in one of an
		// earlier round both are other.
		salt, salt2 := be(frame[8:]) == be(log[16:]), be(frame[12:]) == be(log[20:])
		broken = broken || !salt || !salt2 || next != sum
		if !broken || !salt && !salt2 {
			continue
		}
		if committed {
			return logDamaged, nil
		}
		state, committed = logCut, be(frame[4:]) != 0
	}
	return state, nil
}

// logSum goes on with the checksum of a log over whole pairs of words.
func logSum(words binary.ByteOrder, s [2]uint32, b []byte) [2]uint32 {
	for ; len(b) >= 8; b = b[8:] {
		s[0] += words.Uint32(b) + s[1]
		s[1] += words.Uint32(b[4:]) + s[0]
	}
	return s
}
