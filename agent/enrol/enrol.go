// Package enrol gives an agent its identity: a private key that never leaves
// the box, and the service's certificate for it.
//
// The identity stands in a folder of mode 0700:
//
//	key.pem          the private key (P-256), mode 0600
//	chain.pem        its certificate, leaf first
//	authorities.pem  the authorities that may speak for the service
//	identity.json    machine, agent, address
//	next.pem         a key whose certificate is on its way
//
// Files are written under another name, synced and renamed, so that a power cut
// leaves the old identity or the new one.
package enrol

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// ErrNone says that there is no identity yet.
var ErrNone = errors.New("this box is not enrolled: get a token with `hourbell enrol MACHINE` and run `hourbell-agent enrol`")

// Identity is who this agent is.
type Identity struct {
	Machine string `json:"machine"`
	Agent   string `json:"agent"`
	// Address is the service's address for agents, host:port.
	Address string `json:"address"`

	certificate tls.Certificate
	authorities *x509.CertPool
	leaf        *x509.Certificate
}

// Request is what an enrolment needs.
type Request struct {
	Dir     string
	Address string // host:port that the token came with
	// Fingerprint is the SHA-256 of the service's authority, 64 hex digits.
	Fingerprint string
	Token       string
	Rand        io.Reader
	// Now judges certificates.
	Now func() time.Time
}

// Enrol exchanges the token for a certificate and keeps it. Repeated with the
// same token after a lost answer it uses the same key, so the service repeats
// its answer.
func Enrol(ctx context.Context, r Request) (*Identity, error) {
	pin, err := parsePin(r.Fingerprint)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(r.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the identity's folder: %w", err)
	}
	if _, err := Load(r.Dir); err == nil {
		return nil, fmt.Errorf("enrol into %s: this box is enrolled already; to enrol it anew, move that folder away first", r.Dir)
	}
	key, err := pendingKey(r.Dir, r.Rand)
	if err != nil {
		return nil, err
	}
	csr, err := request(r.Rand, key)
	if err != nil {
		return nil, err
	}
	conn, err := grpc.NewClient("passthrough:///"+r.Address, grpc.WithTransportCredentials(credentials.NewTLS(pinned(pin, r.Now))))
	if err != nil {
		return nil, fmt.Errorf("reach %s: %w", r.Address, err)
	}
	defer conn.Close()
	resp, err := pb.NewEnrolmentServiceClient(conn).Enrol(ctx, &pb.EnrolRequest{Token: r.Token, CertificateRequest: csr})
	if err != nil {
		return nil, fmt.Errorf("enrol at %s: %w", r.Address, err)
	}
	id := &Identity{Machine: resp.GetMachine(), Agent: resp.GetAgent(), Address: resp.GetAddress()}
	return keep(r.Dir, id, resp.GetCertificateChain(), resp.GetAuthorities())
}

// Load reads the identity, ErrNone where there is none.
func Load(dir string) (*Identity, error) {
	root, err := os.OpenRoot(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNone
	}
	if err != nil {
		return nil, fmt.Errorf("open the identity's folder: %w", err)
	}
	defer root.Close()
	b, err := root.ReadFile("identity.json")
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNone
	}
	if err != nil {
		return nil, fmt.Errorf("read the identity: %w", err)
	}
	id := &Identity{}
	if err := json.Unmarshal(b, id); err != nil {
		return nil, fmt.Errorf("read %s: %w: enrol this box anew", filepath.Join(dir, "identity.json"), err)
	}
	return id, id.load(root)
}

func (id *Identity) load(root *os.Root) error {
	chain, err := root.ReadFile("chain.pem")
	if err != nil {
		return fmt.Errorf("read the certificate: %w", err)
	}
	key, err := root.ReadFile("key.pem")
	if err != nil {
		return fmt.Errorf("read the private key: %w", err)
	}
	// A cut between two renames leaves the new chain beside the old key.
	id.certificate, err = tls.X509KeyPair(chain, key)
	if err != nil {
		next, nextErr := root.ReadFile("next.pem")
		if nextErr != nil {
			return fmt.Errorf("the certificate and the private key don't belong together: %w: enrol this box anew", err)
		}
		if id.certificate, err = tls.X509KeyPair(chain, next); err != nil {
			return fmt.Errorf("the certificate and the private key don't belong together: %w: enrol this box anew", err)
		}
	}
	id.leaf = id.certificate.Leaf
	authorities, err := root.ReadFile("authorities.pem")
	if err != nil {
		return fmt.Errorf("read the service's authorities: %w", err)
	}
	id.authorities = x509.NewCertPool()
	if !id.authorities.AppendCertsFromPEM(authorities) {
		return errors.New("read the service's authorities: none found in authorities.pem: enrol this box anew")
	}
	return nil
}

// TLS is the agent's side of mutual TLS. now judges certificates.
func (id *Identity) TLS(now func() time.Time) *tls.Config {
	return &tls.Config{
		MinVersion:   tls.VersionTLS13,
		Certificates: []tls.Certificate{id.certificate},
		RootCAs:      id.authorities,
		Time:         func() time.Time { return id.judged(now()) },
	}
}

// judged is a time to judge the service's certificate by. Past the end of the
// box's own certificate the service lets nobody in with it, so such a time is of
// use only where the box's clock is years ahead: then what counts is when the
// box's certificate was issued, which the box knows for sure. The service judges
// the box's by its own clock either way.
func (id *Identity) judged(t time.Time) time.Time {
	if t.After(id.leaf.NotAfter) {
		return id.leaf.NotBefore
	}
	return t
}

// Expires is when the certificate ends.
func (id *Identity) Expires() time.Time { return id.leaf.NotAfter }

// RenewalDue reports whether half of the certificate's life is over.
func (id *Identity) RenewalDue(now time.Time) bool {
	return now.Sub(id.leaf.NotBefore) > id.leaf.NotAfter.Sub(id.leaf.NotBefore)/2
}

// Renew asks for a certificate for a new key over the old identity's connection
// and keeps it. The old key works until the new one has been kept.
func Renew(ctx context.Context, dir string, id *Identity, client pb.AgentServiceClient, rand io.Reader) (*Identity, error) {
	key, err := pendingKey(dir, rand)
	if err != nil {
		return nil, err
	}
	csr, err := request(rand, key)
	if err != nil {
		return nil, err
	}
	resp, err := client.Renew(ctx, &pb.RenewRequest{CertificateRequest: csr})
	if err != nil {
		return nil, fmt.Errorf("renew the certificate: %w", err)
	}
	return keep(dir, &Identity{Machine: id.Machine, Agent: id.Agent, Address: id.Address}, resp.GetCertificateChain(), resp.GetAuthorities())
}

// keep writes the identity and makes the pending key the one in use. The chain
// goes before the key: with the pending key still there, either order loads.
func keep(dir string, id *Identity, chain, authorities [][]byte) (*Identity, error) {
	if len(chain) == 0 || len(authorities) == 0 || id.Machine == "" || id.Agent == "" || id.Address == "" {
		return nil, errors.New("keep the identity: the service's answer is not complete")
	}
	next, err := os.ReadFile(filepath.Join(dir, "next.pem"))
	if err != nil {
		return nil, fmt.Errorf("keep the identity: %w", err)
	}
	chainPEM := certificates(chain)
	if _, err := tls.X509KeyPair(chainPEM, next); err != nil {
		return nil, fmt.Errorf("keep the identity: the certificate is not for this box's key: %w", err)
	}
	b, err := json.MarshalIndent(id, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("keep the identity: %w", err)
	}
	for _, f := range []struct {
		name string
		b    []byte
	}{{"authorities.pem", certificates(authorities)}, {"chain.pem", chainPEM}, {"key.pem", next}, {"identity.json", append(b, '\n')}} {
		if err := write(dir, f.name, f.b); err != nil {
			return nil, err
		}
	}
	if err := os.Remove(filepath.Join(dir, "next.pem")); err != nil {
		return nil, fmt.Errorf("keep the identity: %w", err)
	}
	return Load(dir)
}

// pendingKey is the key whose certificate is on its way, made where there is none.
func pendingKey(dir string, rand io.Reader) (crypto.Signer, error) {
	path := filepath.Join(dir, "next.pem")
	if b, err := os.ReadFile(path); err == nil {
		if block, _ := pem.Decode(b); block != nil {
			if k, err := x509.ParsePKCS8PrivateKey(block.Bytes); err == nil {
				if s, ok := k.(crypto.Signer); ok {
					return s, nil
				}
			}
		}
	}
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand)
	if err != nil {
		return nil, fmt.Errorf("make a private key: %w", err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("make a private key: %w", err)
	}
	return key, write(dir, "next.pem", pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
}

func request(rand io.Reader, key crypto.Signer) ([]byte, error) {
	// The service sets all names; a request needs none.
	der, err := x509.CreateCertificateRequest(rand, &x509.CertificateRequest{}, key)
	if err != nil {
		return nil, fmt.Errorf("make the certificate request: %w", err)
	}
	return der, nil
}

func parsePin(fingerprint string) (pin [32]byte, err error) {
	clean := strings.ReplaceAll(strings.TrimPrefix(strings.ToLower(fingerprint), "sha256:"), ":", "")
	b, err := hex.DecodeString(clean)
	if err != nil || len(b) != len(pin) {
		return pin, fmt.Errorf("fingerprint %q: it is not 64 hex digits: take it from what `hourbell enrol` printed", fingerprint)
	}
	copy(pin[:], b)
	return pin, nil
}

// pinned trusts the one authority whose fingerprint came with the token, and
// nothing else: there is no other root of trust before enrolment.
func pinned(pin [32]byte, now func() time.Time) *tls.Config {
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		// The usual check knows no roots yet; VerifyConnection does all of it.
		InsecureSkipVerify: true,
		VerifyConnection: func(cs tls.ConnectionState) error {
			for _, c := range cs.PeerCertificates {
				if sha256.Sum256(c.Raw) != pin {
					continue
				}
				roots := x509.NewCertPool()
				roots.AddCert(c)
				_, err := cs.PeerCertificates[0].Verify(x509.VerifyOptions{Roots: roots, CurrentTime: now(), KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}})
				if err != nil {
					return fmt.Errorf("the service's certificate: %w", err)
				}
				return nil
			}
			return errors.New("whoever answers is not the service that made the token: its authority has another fingerprint; nothing was sent")
		},
	}
}

func certificates(ders [][]byte) []byte {
	var out bytes.Buffer
	for _, der := range ders {
		out.Write(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	}
	return out.Bytes()
}

// write puts a file in place whole, or not at all.
func write(dir, name string, b []byte) error {
	path := filepath.Join(dir, name)
	err := func() error {
		f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
		if err != nil {
			return err
		}
		_, err = f.Write(b)
		if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
			return err
		}
		if err := os.Rename(path+".new", path); err != nil {
			return err
		}
		d, err := os.Open(dir)
		if err != nil {
			return err
		}
		return errors.Join(d.Sync(), d.Close())
	}()
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}
