package keys

import (
	"crypto/ecdsa"
	"crypto/ed25519"
	"crypto/rsa"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"
)

// Server returns the TLS of a service: version 1.3 alone. With a client
// authority, callers may show a certificate that it signed. Weak or useless
// certificates are refused.
func Server(certificate, key, clientAuthority string, at time.Time) (*tls.Config, error) {
	pair, err := load(certificate, key, x509.ExtKeyUsageServerAuth, at)
	if err != nil {
		return nil, err
	}
	if leaf := pair.Leaf; len(leaf.DNSNames)+len(leaf.IPAddresses) == 0 {
		return nil, fmt.Errorf("the certificate %s names no host or address; clients would refuse it: make one with --host", certificate)
	}
	c := &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair}, NextProtos: []string{"h2"}}
	if clientAuthority != "" {
		if c.ClientCAs, err = authorities(clientAuthority, at); err != nil {
			return nil, err
		}
		c.ClientAuth = tls.VerifyClientCertIfGiven
	}
	return c, nil
}

// Client returns the TLS of somebody who calls: version 1.3 alone, and only
// services that the authority signed. The certificate and key are empty for
// callers with a token.
func Client(authority, certificate, key string, at time.Time) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS13}
	var err error
	if c.RootCAs, err = authorities(authority, at); err != nil {
		return nil, err
	}
	if certificate != "" || key != "" {
		pair, err := load(certificate, key, x509.ExtKeyUsageClientAuth, at)
		if err != nil {
			return nil, err
		}
		c.Certificates = []tls.Certificate{pair}
	}
	return c, nil
}

func authorities(path string, at time.Time) (*x509.CertPool, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("the authority's certificate cannot be read: %w", err)
	}
	c, err := parse(text)
	if err == nil {
		err = strong(c, at)
	}
	if err == nil && !c.IsCA {
		err = errors.New("it is not the certificate of an authority")
	}
	if err != nil {
		return nil, fmt.Errorf("the authority's certificate %s cannot be used: %w", path, err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(text)
	return pool, nil
}

func load(certificate, key string, use x509.ExtKeyUsage, at time.Time) (tls.Certificate, error) {
	var none tls.Certificate
	if certificate == "" || key == "" {
		return none, errors.New("a certificate and its key go together; give both files or neither")
	}
	secret, err := ReadSecret(key)
	if err != nil {
		return none, fmt.Errorf("the key cannot be used: %w", err)
	}
	text, err := os.ReadFile(certificate)
	if err != nil {
		return none, fmt.Errorf("the certificate cannot be read: %w", err)
	}
	pair, err := tls.X509KeyPair(text, secret)
	if err != nil {
		return none, fmt.Errorf("the certificate %s and the key %s cannot be used: %w", certificate, key, err)
	}
	err = strong(pair.Leaf, at)
	if err == nil && !slices.Contains(pair.Leaf.ExtKeyUsage, use) && !slices.Contains(pair.Leaf.ExtKeyUsage, x509.ExtKeyUsageAny) {
		err = errors.New("it was made for another use")
	}
	if err != nil {
		return none, fmt.Errorf("the certificate %s cannot be used: %w", certificate, err)
	}
	return pair, nil
}

// strong refuses keys below about 112 bits of strength (NIST SP 800-57 part 1,
// table 2), broken hashes, and certificates out of their time.
func strong(c *x509.Certificate, at time.Time) error {
	switch k := c.PublicKey.(type) {
	case *rsa.PublicKey:
		if k.N.BitLen() < 2048 {
			return fmt.Errorf("its RSA key has %d bits; make one of 2048 or more", k.N.BitLen())
		}
	case *ecdsa.PublicKey:
		if k.Params().BitSize < 256 {
			return fmt.Errorf("its key is on a curve of %d bits; make one of 256 or more", k.Params().BitSize)
		}
	case ed25519.PublicKey:
	default:
		return errors.New("its key is of a kind that is not taken; make an ECDSA, Ed25519 or RSA key")
	}
	switch c.SignatureAlgorithm {
	case x509.MD2WithRSA, x509.MD5WithRSA, x509.SHA1WithRSA, x509.DSAWithSHA1, x509.ECDSAWithSHA1:
		return fmt.Errorf("it is signed with %s, which can be forged; sign it with SHA-256", c.SignatureAlgorithm)
	}
	switch {
	case at.Before(c.NotBefore):
		return fmt.Errorf("it begins only at %s; check the clock of this machine", c.NotBefore.UTC().Format(time.RFC3339))
	case !at.Before(c.NotAfter):
		return fmt.Errorf("it ended at %s; make a new one", c.NotAfter.UTC().Format(time.RFC3339))
	}
	return nil
}
