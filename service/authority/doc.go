// Package authority is the service's own certificate authority.
//
// It lives in a folder of its own inside the data folder:
//
//	authority.key  the authority's private key, PKCS #8 in PEM, mode 0600
//	authority.crt  its certificate, self-signed, good for 20 years
//	retired.crt    optional: earlier authorities that are still trusted
//	agents.key     the key of the listeners that agents speak to
//	agents.crt     and its certificate
//	people.key     the key of the listener that people speak to
//	people.crt     and its certificate
//
// Agents pin the authority (Fingerprint), not a name: a box that wakes after a
// winter with a clock in the past must still be able to come in. The
// authority's certificate and those of the agents' listeners are therefore
// valid from long before they were made, and the agents' listeners carry the
// fixed name ServerName beside the names they are reached by.
//
// A certificate names an agent and nothing else (one URI, see AgentURI). What
// that agent may do stands in the office's table, which is asked on every call:
// that is the revocation.
package authority

import (
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"io"
	"log/slog"
	"sync"
	"time"
)

// ServerName is a name that every certificate of the service carries. An agent
// asks for it whatever address it dials.
const ServerName = "hourbell"

// TrustDomain is the host part of an agent's URI.
const TrustDomain = "hourbell"

// The lives of certificates. Thirteen months carry an agent over a winter
// without power.
const (
	authorityYears = 20
	leafMonths     = 13
	backdated      = 24 * time.Hour
)

// Listener says which of the service's listeners a TLS configuration is for.
type Listener int

// The listeners.
const (
	Agents Listener = iota + 1 // mutual TLS: only agents with a certificate come in
	Enrol                      // the service shows its certificate, the agent has none yet
	People                     // the service shows its certificate, people bring a bearer token
)

// Options say where the authority lives.
type Options struct {
	// Dir is its folder; it is made, mode 0700, if it isn't there.
	Dir string
	// Names are the host names and addresses that the service is reached by, for
	// its certificates. localhost and ServerName are always among them.
	Names []string
	Now   func() time.Time
	Rand  io.Reader
	Log   *slog.Logger
}

// Authority issues certificates. It is safe for concurrent use.
type Authority struct {
	o       Options
	files   *files
	key     *ecdsa.PrivateKey
	cert    *x509.Certificate
	retired []*x509.Certificate

	mu     sync.Mutex
	leaves map[Listener]*tls.Certificate
}

// Issued is an agent's certificate.
type Issued struct {
	// Chain is DER, leaf first.
	Chain [][]byte
	// NotAfter is when it ends.
	NotAfter time.Time
	// Key is SHA-256 of the public key's PKIX form.
	Key [32]byte
}
