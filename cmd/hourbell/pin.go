package main

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"github.com/hourbell/hourbell/service/authority"
)

// pinned gives a TLS configuration that trusts the one authority whose
// certificate has this SHA-256 fingerprint, and nobody else. The service sends
// its authority along, so that the fingerprint is all that must be known.
func pinned(fingerprint string) (*tls.Config, error) {
	want, err := hex.DecodeString(strings.NewReplacer(":", "", " ", "").Replace(fingerprint))
	if err != nil || len(want) != sha256.Size {
		return nil, fmt.Errorf("fingerprint %q: want 64 hexadecimal digits, as `hourbell server` prints them", fingerprint)
	}
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		ServerName: authority.ServerName,
		// The chain is checked by VerifyConnection, against the pinned authority.
		InsecureSkipVerify: true,
		VerifyConnection:   func(s tls.ConnectionState) error { return verifyPinned(s, [sha256.Size]byte(want)) },
	}, nil
}

func verifyPinned(s tls.ConnectionState, want [sha256.Size]byte) error {
	if len(s.PeerCertificates) == 0 {
		return errors.New("the service showed no certificate")
	}
	roots := x509.NewCertPool()
	found := false
	for _, c := range s.PeerCertificates {
		if sha256.Sum256(c.Raw) == want {
			roots.AddCert(c)
			found = true
		}
	}
	if !found {
		return errors.New("the service's authority is another than the fingerprint names: this is not the service you mean, or it was set up anew")
	}
	_, err := s.PeerCertificates[0].Verify(x509.VerifyOptions{Roots: roots, DNSName: authority.ServerName, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
	return err
}
