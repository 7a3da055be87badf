package pictures

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"image/jpeg"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
)

// DefaultMost is what all pictures may take on disk where Options say nothing:
// 4 GiB, some 8,000 pictures.
const DefaultMost = 4 << 30

// Options say how pictures are kept.
type Options struct {
	// Dir is the folder; it is made where there is none.
	Dir string
	// Most is what all pictures may take, in bytes; DefaultMost where 0.
	Most int64
}

// Picture is one that is kept.
type Picture struct {
	Sum           [32]byte // SHA-256 of the bytes as kept
	Width, Height int      // in pixels
	Bytes         int64
}

// Store keeps pictures. It is safe for concurrent use.
type Store struct {
	o Options
	// one lets one picture be decoded at a time: it takes up to 320 MB.
	one chan struct{}

	mu   sync.Mutex
	used int64
}

// Open opens the folder and counts what is in it. What a write left half done
// is removed.
func Open(o Options) (*Store, error) {
	if o.Most == 0 {
		o.Most = DefaultMost
	}
	s := &Store{o: o, one: make(chan struct{}, 1)}
	if err := os.MkdirAll(o.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the folder of pictures: %w", err)
	}
	err := filepath.WalkDir(o.Dir, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil || d.IsDir():
			return err
		case !strings.HasSuffix(path, ending):
			return os.Remove(path)
		}
		info, err := d.Info()
		if err == nil {
			s.used += info.Size()
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("look through the folder of pictures: %w", err)
	}
	return s, nil
}

const ending = ".jpg"

// Put makes a picture anew and keeps it for an owner, whose id must be a file
// name. It reports whether it was kept already. Errors: *Bad, *Full, the disk's.
func (s *Store) Put(ctx context.Context, owner string, raw []byte) (p Picture, had bool, err error) {
	if !nameable(owner) {
		return p, false, fmt.Errorf("keep a picture: %q can't own any", owner)
	}
	select {
	case s.one <- struct{}{}:
	case <-ctx.Done():
		return p, false, context.Cause(ctx)
	}
	made, err := render(raw)
	<-s.one
	if err != nil {
		return p, false, err
	}
	p = Picture{Sum: sha256.Sum256(made.jpeg), Width: made.width, Height: made.height, Bytes: int64(len(made.jpeg))}
	s.mu.Lock()
	defer s.mu.Unlock()
	path := s.path(owner, p.Sum)
	if _, err := os.Stat(path); err == nil {
		return p, true, nil
	}
	if s.used+p.Bytes > s.o.Most {
		return p, false, &Full{s.o.Most}
	}
	if err := write(path, made.jpeg); err != nil {
		return p, false, fmt.Errorf("keep a picture: %w", err)
	}
	s.used += p.Bytes
	return p, false, nil
}

// Get gives a picture of an owner with its bytes. The error wraps ErrNone.
func (s *Store) Get(owner string, sum [32]byte) (Picture, []byte, error) {
	if !nameable(owner) {
		return Picture{}, nil, ErrNone
	}
	b, err := os.ReadFile(s.path(owner, sum))
	if errors.Is(err, fs.ErrNotExist) {
		return Picture{}, nil, ErrNone
	}
	if err != nil {
		return Picture{}, nil, fmt.Errorf("read a picture: %w", err)
	}
	if sha256.Sum256(b) != sum {
		return Picture{}, nil, fmt.Errorf("read a picture: %x of %s is damaged on disk", sum[:4], owner)
	}
	config, err := jpeg.DecodeConfig(bytes.NewReader(b))
	if err != nil {
		return Picture{}, nil, fmt.Errorf("read a picture: %w", err)
	}
	return Picture{Sum: sum, Width: config.Width, Height: config.Height, Bytes: int64(len(b))}, b, nil
}

// Has reports whether an owner has a picture.
func (s *Store) Has(owner string, sum [32]byte) bool {
	if !nameable(owner) {
		return false
	}
	_, err := os.Stat(s.path(owner, sum))
	return err == nil
}

func (s *Store) path(owner string, sum [32]byte) string {
	return filepath.Join(s.o.Dir, owner, hex.EncodeToString(sum[:])+ending)
}

// nameable reports whether an owner's id can be a folder's name: letters, digits
// and '-'.
func nameable(owner string) bool {
	for _, r := range owner {
		if (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '-' {
			return false
		}
	}
	return owner != "" && len(owner) <= 128
}

// write puts a file on disk whole or not at all, and its name with it.
func write(path string, b []byte) (err error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, "half-")
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return errors.Join(syncDir(dir), syncDir(filepath.Dir(dir)))
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
