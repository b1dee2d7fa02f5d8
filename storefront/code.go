package storefront

import (
	"crypto/sha256"
	"fmt"
	"strings"

	v1 "doughrun/proto/doughrun/v1"
)

// codeDigits are the characters of a code, by value: those that are heard and
// read apart, without I, L, O and U.
const codeDigits = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

// Code is a receipt's code to read over the telephone, such as 4TQ-R7W-X: six
// characters that follow from what the order says, so that both ends compare
// whole orders by them, and a check character behind.
func Code(o *v1.Order) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%d\n%s\n%t\n", o.GetName(), o.GetRevision(), o.GetState(), o.GetClosed())
	for _, l := range o.GetLines() {
		fmt.Fprintf(&b, "%s %d %s\n", l.GetItemId(), l.GetPieces(), l.GetBakeDate())
	}
	sum := sha256.Sum256([]byte(b.String()))
	code := make([]byte, 6)
	for i := range code {
		code[i] = codeDigits[sum[i]%32]
	}
	return string(code[:3]) + "-" + string(code[3:]) + "-" + string(codeDigits[check(code)])
}

// check is the value of the check character: ISO 7064, the hybrid system with
// modulus M+1 and M for M = 32 characters. It finds every single wrong
// character and nearly every swap of two neighbours.
func check(code []byte) int {
	const m = len(codeDigits)
	p := m
	for _, c := range code {
		s := (p + strings.IndexByte(codeDigits, c)) % m
		if s == 0 {
			s = m
		}
		p = s * 2 % (m + 1)
	}
	return (m + 1 - p) % m
}

// ReadCode reads a code as somebody says or types it: small letters, blanks
// and dashes anywhere, O for 0, I and L for 1. It refuses one that was misheard.
func ReadCode(s string) (string, error) {
	var b []byte
	for _, r := range strings.ToUpper(s) {
		switch r {
		case ' ', '-':
			continue
		case 'O':
			r = '0'
		case 'I', 'L':
			r = '1'
		}
		if r >= 0x80 || strings.IndexByte(codeDigits, byte(r)) < 0 {
			return "", fmt.Errorf("%q is not a code: %q does not occur in one; ask for it again", s, r)
		}
		b = append(b, byte(r))
	}
	if len(b) != 7 {
		return "", fmt.Errorf("%q is not a code: it has %d characters, not 7; ask for it again", s, len(b))
	}
	if codeDigits[check(b[:6])] != b[6] {
		return "", fmt.Errorf("%q is not a code: its last character does not fit the others; ask for it again", s)
	}
	return string(b[:3]) + "-" + string(b[3:6]) + "-" + string(b[6:]), nil
}
