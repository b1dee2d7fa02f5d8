package keys

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// site keeps an authority, a server's and a client's certificate in a folder.
func site(t *testing.T, at time.Time) string {
	dir := t.TempDir()
	a, err := NewAuthority("corner", at)
	require.NoError(t, err)
	s, err := a.NewServer([]string{"kitchen.example", "127.0.0.1"}, at)
	require.NoError(t, err)
	c, err := a.NewClient("north-till", 90*24*time.Hour, at)
	require.NoError(t, err)
	for name, p := range map[string]Pair{"authority": a, "server": s, "client": c} {
		_, _, err := p.Write(filepath.Join(dir, name))
		require.NoError(t, err)
	}
	return dir
}

func shake(t *testing.T, server, client *tls.Config) (serverErr, clientErr error) {
	a, b := net.Pipe()
	defer a.Close()
	defer b.Close()
	done := make(chan error, 1)
	go func() {
		err := tls.Server(a, server).HandshakeContext(t.Context())
		if err != nil {
			a.Close()
		}
		done <- err
	}()
	conn := tls.Client(b, client)
	clientErr = conn.HandshakeContext(t.Context())
	if clientErr != nil {
		b.Close()
	} else {
		go conn.Read(make([]byte, 1)) // takes what the server sends after its part
	}
	return <-done, clientErr
}

func TestASiteOfItsOwn(t *testing.T) {
	now := time.Now()
	dir := site(t, now)
	in := func(name string) string { return filepath.Join(dir, name) }
	server, err := Server(in("server.crt"), in("server.key"), in("authority.crt"), now)
	require.NoError(t, err)
	client, err := Client(in("authority.crt"), in("client.crt"), in("client.key"), now)
	require.NoError(t, err)
	client.ServerName = "kitchen.example"
	s, c := shake(t, server, client)
	require.NoError(t, s)
	require.NoError(t, c)

	wrong := client.Clone()
	wrong.ServerName = "other.example"
	_, c = shake(t, server, wrong)
	require.ErrorContains(t, c, "other.example")

	other := site(t, now)
	stranger, err := Client(filepath.Join(other, "authority.crt"), "", "", now)
	require.NoError(t, err)
	stranger.ServerName = "kitchen.example"
	_, c = shake(t, server, stranger)
	require.ErrorContains(t, c, "unknown authority")

	// The name and key of the authority are not taken for the service.
	_, err = Server(in("client.crt"), in("client.key"), "", now)
	require.ErrorContains(t, err, "made for another use")
	_, err = Client(in("server.crt"), "", "", now)
	require.ErrorContains(t, err, "not the certificate of an authority")
	_, err = Client(in("authority.crt"), in("server.crt"), in("server.key"), now)
	require.ErrorContains(t, err, "made for another use")
	_, err = Server(in("server.crt"), in("client.key"), "", now)
	require.ErrorContains(t, err, "private key does not match")
	_, err = Server(in("server.crt"), "", "", now)
	require.ErrorContains(t, err, "both files or neither")
	_, err = Server(in("server.crt"), in("server.key"), "", now.Add(398*24*time.Hour))
	require.ErrorContains(t, err, "make a new one")
	_, err = Server(in("server.crt"), in("server.key"), "", now.Add(-2*time.Hour))
	require.ErrorContains(t, err, "check the clock")
	require.NoError(t, os.Chmod(in("server.key"), 0o640))
	_, err = Server(in("server.crt"), in("server.key"), "", now)
	require.ErrorContains(t, err, "chmod 600")

	// Nothing is written over.
	a, err := ReadPair(in("authority"))
	require.NoError(t, err)
	_, _, err = a.Write(in("authority"))
	require.ErrorContains(t, err, "is there already")
	_, err = a.NewServer(nil, now)
	require.ErrorContains(t, err, "names or addresses")
	_, err = a.NewServer([]string{"x"}, now.Add(10*365*24*time.Hour))
	require.ErrorContains(t, err, "make a new authority")
	leaf, err := ReadPair(in("client"))
	require.NoError(t, err)
	_, err = leaf.NewClient("x", time.Hour, now)
	require.ErrorContains(t, err, "not one of an authority")
}

// Another implementation finds the certificates good, for their use and no other.
func TestOpenSSLVerifies(t *testing.T) {
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("openssl is not installed")
		}
		t.Skip("SKIPPED: openssl is not installed")
	}
	dir := site(t, time.Now())
	verify := func(args ...string) (string, error) {
		cmd := exec.Command(openssl, append([]string{"verify", "-x509_strict", "-CAfile", "authority.crt"}, args...)...)
		cmd.Dir = dir
		b, err := cmd.CombinedOutput()
		return string(b), err
	}
	for _, good := range [][]string{
		{"-purpose", "sslserver", "-verify_hostname", "kitchen.example", "server.crt"},
		{"-purpose", "sslserver", "-verify_ip", "127.0.0.1", "server.crt"},
		{"-purpose", "sslclient", "client.crt"},
	} {
		out, err := verify(good...)
		require.NoError(t, err, "%v: %s", good, out)
		require.Contains(t, out, ": OK")
	}
	for _, bad := range [][]string{
		{"-purpose", "sslserver", "-verify_hostname", "other.example", "server.crt"},
		{"-purpose", "sslclient", "server.crt"},
		{"-purpose", "sslserver", "client.crt"},
	} {
		out, err := verify(bad...)
		require.Error(t, err, "%v: %s", bad, out)
	}
}

func TestWeakCertificatesAreRefused(t *testing.T) {
	now := time.Now()
	weak, err := rsa.GenerateKey(rand.Reader, 1024)
	require.NoError(t, err)
	strongRSA, err := rsa.GenerateKey(rand.Reader, 2048)
	require.NoError(t, err)
	small, err := ecdsa.GenerateKey(elliptic.P224(), rand.Reader)
	require.NoError(t, err)
	make := func(pub, key any, names []string) (string, string) {
		c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "kitchen"}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour),
			ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, DNSNames: names}
		der, err := x509.CreateCertificate(rand.Reader, c, c, pub, key)
		require.NoError(t, err)
		secret, err := x509.MarshalPKCS8PrivateKey(key)
		require.NoError(t, err)
		p := Pair{pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})}
		certificate, file, err := p.Write(filepath.Join(t.TempDir(), "x"))
		require.NoError(t, err)
		return certificate, file
	}
	for _, c := range []struct {
		pub, key any
		names    []string
		want     string
	}{
		{&weak.PublicKey, weak, []string{"kitchen"}, "1024 bits"},
		{&small.PublicKey, small, []string{"kitchen"}, "curve of 224 bits"},
		{&strongRSA.PublicKey, strongRSA, nil, "names no host"},
		{&strongRSA.PublicKey, strongRSA, []string{"kitchen"}, ""},
	} {
		certificate, key := make(c.pub, c.key, c.names)
		_, err := Server(certificate, key, "", now)
		if c.want == "" {
			require.NoError(t, err)
			continue
		}
		require.ErrorContains(t, err, c.want)
	}
}

func TestTokens(t *testing.T) {
	a, b := NewToken(), NewToken()
	require.NotEqual(t, a, b)
	path := filepath.Join(t.TempDir(), "token")
	require.NoError(t, WriteSecret(path, []byte(a+"\n")))
	got, err := ReadToken(path)
	require.NoError(t, err)
	require.Equal(t, a, got)
	require.Equal(t, HashToken(a), HashToken(got))
	require.Len(t, HashToken(a), 32)
	require.NoError(t, os.WriteFile(path, []byte("hunter2"), 0o600))
	_, err = ReadToken(path)
	require.ErrorContains(t, err, "does not hold a token")
	require.NotContains(t, err.Error(), "hunter2")
	require.NoError(t, os.Chmod(path, 0o644))
	_, err = ReadToken(path)
	require.ErrorContains(t, err, "chmod 600")
}
