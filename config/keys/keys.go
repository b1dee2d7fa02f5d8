// Package keys makes and reads what proves who somebody is: keys and
// certificates of a small site with its own authority, and tokens. It refuses
// what is weak, says why and what to do, and never shows a secret.
package keys

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"time"
)

// Pair is a certificate and its private key, both as PEM.
type Pair struct{ Certificate, Key []byte }

// Lifetimes. Browsers and libraries take no server certificate that lives
// longer than 398 days (CA/Browser Forum, Baseline Requirements 6.3.2).
const (
	authorityLives = 10 * 365 * 24 * time.Hour
	serverLives    = 397 * 24 * time.Hour
	// early is how much before its making a certificate begins, for clocks that
	// do not agree.
	early = time.Hour
)

// NewAuthority makes the authority of one site, which signs its certificates
// and none below another authority.
func NewAuthority(site string, at time.Time) (Pair, error) {
	return issue(&x509.Certificate{
		Subject:  pkix.Name{CommonName: site + " authority"},
		NotAfter: at.Add(authorityLives),
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign, IsCA: true, MaxPathLenZero: true, BasicConstraintsValid: true,
	}, nil, at)
}

// NewServer makes the certificate of a service that is reached under the
// hosts, which are names or addresses.
func (authority Pair) NewServer(hosts []string, at time.Time) (Pair, error) {
	if len(hosts) == 0 {
		return Pair{}, errors.New("a server's certificate needs the names or addresses it is reached under")
	}
	c := &x509.Certificate{
		Subject:  pkix.Name{CommonName: hosts[0]},
		NotAfter: at.Add(serverLives),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	for _, h := range hosts {
		if ip := net.ParseIP(h); ip != nil {
			c.IPAddresses = append(c.IPAddresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, h)
		}
	}
	return issue(c, &authority, at)
}

// NewClient makes the certificate of somebody who calls. What it may do is
// said where it is admitted, not in the certificate.
func (authority Pair) NewClient(name string, lives time.Duration, at time.Time) (Pair, error) {
	return issue(&x509.Certificate{
		Subject:  pkix.Name{CommonName: name},
		NotAfter: at.Add(lives),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}, BasicConstraintsValid: true,
	}, &authority, at)
}

// issue signs a certificate for a new key, by the authority or by itself.
func issue(c *x509.Certificate, authority *Pair, at time.Time) (Pair, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return Pair{}, err
	}
	c.NotBefore = at.Add(-early)
	// RFC 5280, section 4.1.2.2: positive, at most 20 bytes.
	if c.SerialNumber, err = rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 128)); err != nil {
		return Pair{}, err
	}
	parent, signer := c, any(key)
	if authority != nil {
		if parent, err = parse(authority.Certificate); err != nil {
			return Pair{}, err
		}
		if !parent.IsCA {
			return Pair{}, errors.New("the certificate of the authority is not one of an authority")
		}
		if c.NotAfter.After(parent.NotAfter) {
			return Pair{}, fmt.Errorf("the authority ends on %s, before the new certificate would; make a new authority", parent.NotAfter.Format(time.DateOnly))
		}
		if signer, err = parseKey(authority.Key); err != nil {
			return Pair{}, err
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, &key.PublicKey, signer)
	if err != nil {
		return Pair{}, fmt.Errorf("the certificate cannot be signed: %w", err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return Pair{}, err
	}
	return Pair{
		Certificate: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		Key:         pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}),
	}, nil
}

// Write keeps the pair in two files that are not there yet, base.crt and
// base.key, the key for its owner alone. It returns their names.
func (p Pair) Write(base string) (certificate, key string, err error) {
	certificate, key = base+".crt", base+".key"
	if err := WriteSecret(key, p.Key); err != nil {
		return "", "", err
	}
	return certificate, key, write(certificate, p.Certificate, 0o644)
}

// WriteSecret keeps a secret in a file that is not there yet, for its owner alone.
func WriteSecret(path string, secret []byte) error { return write(path, secret, 0o600) }

func write(path string, b []byte, mode fs.FileMode) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%s is there already; move it away, or name another file", path)
	}
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Sync(), f.Close())
}

// ReadPair reads what Write kept.
func ReadPair(base string) (Pair, error) {
	certificate, err := os.ReadFile(base + ".crt")
	if err != nil {
		return Pair{}, err
	}
	key, err := ReadSecret(base + ".key")
	return Pair{certificate, key}, err
}

// ReadSecret reads a file that must belong to its owner alone.
func ReadSecret(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is not a file", filepath.Clean(path))
	}
	if info.Mode().Perm()&0o077 != 0 {
		return nil, fmt.Errorf("%s holds a secret and may be read or written by others (mode %#o); run chmod 600 on it", path, info.Mode().Perm())
	}
	return os.ReadFile(path)
}

func parse(text []byte) (*x509.Certificate, error) {
	b, _ := pem.Decode(text)
	if b == nil || b.Type != "CERTIFICATE" {
		return nil, errors.New("there is no certificate in it (as PEM)")
	}
	return x509.ParseCertificate(b.Bytes)
}

func parseKey(text []byte) (any, error) {
	b, _ := pem.Decode(text)
	if b == nil || b.Type != "PRIVATE KEY" {
		return nil, errors.New("there is no private key in it (as PEM, PKCS 8)")
	}
	return x509.ParsePKCS8PrivateKey(b.Bytes)
}
