package keys

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"fmt"
	"os"
	"regexp"
	"strings"
)

// tokenForm is what NewToken makes. The word at its front lets people and
// scanners see what a stray line is.
var tokenForm = regexp.MustCompile(`^doughrun-token-[A-Z2-7]{52}$`)

// NewToken makes a token of 260 random bits.
func NewToken() string { return "doughrun-token-" + rand.Text() + rand.Text() }

// HashToken is what is kept of a token. Its bits are random, so that a plain
// hash cannot be turned back.
func HashToken(token string) []byte {
	sum := sha256.Sum256([]byte(token))
	return sum[:]
}

// ReadToken reads a token from a file that belongs to its owner alone.
func ReadToken(path string) (string, error) {
	b, err := ReadSecret(path)
	if err != nil {
		return "", fmt.Errorf("the token cannot be read: %w", err)
	}
	token := strings.TrimSpace(string(b))
	if !tokenForm.MatchString(token) {
		return "", fmt.Errorf("%s does not hold a token; ask the owner of the kitchen for a fresh file", path)
	}
	return token, nil
}

// ReadCertificate reads the first certificate of a file.
func ReadCertificate(path string) (*x509.Certificate, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	c, err := parse(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// HashCertificate is how a client's certificate is known.
func HashCertificate(c *x509.Certificate) []byte {
	sum := sha256.Sum256(c.Raw)
	return sum[:]
}
