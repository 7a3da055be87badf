package authority

import (
	"crypto/ecdsa"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// files reads and writes PEM in the authority's folder. A file is there whole or
// not at all.
type files struct{ root *os.Root }

func openFiles(dir string) (*files, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	return &files{root: root}, nil
}

func (f *files) close() error { return f.root.Close() }

// read gives a file's PEM blocks of one type, nil where there is no such file.
func (f *files) read(name, kind string) ([][]byte, error) {
	rest, err := f.root.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var out [][]byte
	for {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		if block.Type != kind {
			return nil, fmt.Errorf("%s holds a %s where a %s belongs: put the right file back from a copy", name, block.Type, kind)
		}
		out = append(out, block.Bytes)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("%s holds no %s: put it back from a copy", name, kind)
	}
	return out, nil
}

func (f *files) key(name string) (*ecdsa.PrivateKey, error) {
	ders, err := f.read(name, "PRIVATE KEY")
	if err != nil || ders == nil {
		return nil, err
	}
	key, err := x509.ParsePKCS8PrivateKey(ders[0])
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	ec, is := key.(*ecdsa.PrivateKey)
	if !is {
		return nil, fmt.Errorf("%s holds a %T, it needs an ECDSA key", name, key)
	}
	return ec, nil
}

func (f *files) certs(name string) ([]*x509.Certificate, error) {
	ders, err := f.read(name, "CERTIFICATE")
	if err != nil {
		return nil, err
	}
	var out []*x509.Certificate
	for _, der := range ders {
		cert, err := x509.ParseCertificate(der)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out = append(out, cert)
	}
	return out, nil
}

func (f *files) writeKey(name string, key *ecdsa.PrivateKey) error {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	return f.write(name, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}), 0o600)
}

func (f *files) writeCert(name string, der []byte) error {
	return f.write(name, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), 0o644)
}

// write replaces a file: written beside it, synced, renamed, the folder synced.
func (f *files) write(name string, b []byte, mode fs.FileMode) error {
	part := name + ".part"
	if err := f.root.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	file, err := f.root.OpenFile(part, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = file.Write(b)
	if err := errors.Join(err, file.Sync(), file.Close()); err != nil {
		return fmt.Errorf("write %s: %w", part, err)
	}
	if err := f.root.Rename(part, name); err != nil {
		return err
	}
	return f.sync()
}

func (f *files) sync() error {
	dir, err := f.root.Open(".")
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}
