package local

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"os"
)

// bbolt believes its pages: lengths and page numbers that a flipped bit has
// changed lead it out of the file, round in circles or to pages that are in use.
// So the tree is walked before bbolt opens it. What the walk doesn't look at,
// keys and values deep in a page, has checksums of our own.
//
// The layout of a bbolt file, version 2, integers as the processor has them:
//
//	page      id u64, flags u16, count u16, overflow u32 (pages that follow and belong to it)
//	meta      page, magic u32, version u32, page size u32, flags u32, root u64,
//	          sequence u64, freelist u64, pages u64, transaction u64, FNV-1a of these u64
//	branch    page, for each child: key at u32, key length u32, child u64
//	leaf      page, for each key: flags u32, key at u32, key length u32, value length u32
//	freelist  page, ids u64 in order; a count of 65535 stands for the first of them
//	bucket    a leaf's value with flag 1: root u64, sequence u64; root 0: a leaf page follows
//
// "at" counts from the start of the element.
const (
	pageHead    = 16
	pageElement = 16
	metaSize    = 64
	metaMagic   = 0xED0CDAED
	metaVersion = 2

	pageBranch   = 0x01
	pageLeaf     = 0x02
	pageFreelist = 0x10
	leafBucket   = 0x01

	noFreelist = ^uint64(0)
)

var errPages = errors.New("its pages make no sense")

type metaPage struct {
	pageSize, root, freelist, pages, transaction uint64
}

// pageWalk is one walk through a file.
type pageWalk struct {
	f    io.ReaderAt
	meta metaPage
	seen []uint64 // bits: pages met
	todo []pageSpan
	page []byte
}

// pageSpan is a page to be walked, whose keys are to lie in [lo, hi).
type pageSpan struct {
	id     uint64
	lo, hi []byte // hi nil: no bound
	bucket string // in which it is
}

// checkPages walks a bbolt file's tree and freelist.
func checkPages(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return err
	}
	w := &pageWalk{f: f}
	if w.meta, err = readMeta(f); err != nil {
		return err
	}
	if need := w.meta.pages * w.meta.pageSize; uint64(st.Size()) < need || w.meta.pages > 1<<40 {
		return fmt.Errorf("%w: the file has %d bytes of %d: it was cut", errPages, st.Size(), need)
	}
	w.seen = make([]uint64, w.meta.pages/64+1)
	w.todo = append(w.todo, pageSpan{id: w.meta.root})
	for len(w.todo) > 0 {
		next := w.todo[len(w.todo)-1]
		w.todo = w.todo[:len(w.todo)-1]
		if err := w.walk(next); err != nil {
			return fmt.Errorf("%w: page %d: %w", errPages, next.id, err)
		}
	}
	return w.freelist()
}

// readMeta reads the newer good one of the two metas.
func readMeta(f io.ReaderAt) (best metaPage, err error) {
	err = fmt.Errorf("%w: it has no good first page", errPages)
	for at := int64(0); at <= 1<<16; at = max(2*at, 512) {
		var b [pageHead + metaSize]byte
		if _, readErr := f.ReadAt(b[:], at); readErr != nil {
			break
		}
		if m, ok := decodeMeta(b[pageHead:]); ok && (at == 0 || at == int64(m.pageSize)) && (err != nil || m.transaction > best.transaction) {
			best, err = m, nil
		}
	}
	return best, err
}

func decodeMeta(b []byte) (metaPage, bool) {
	n := binary.NativeEndian
	h := fnv.New64a()
	_, _ = h.Write(b[:metaSize-8]) // never fails
	if n.Uint32(b) != metaMagic || n.Uint32(b[4:]) != metaVersion || n.Uint64(b[metaSize-8:]) != h.Sum64() {
		return metaPage{}, false
	}
	m := metaPage{pageSize: uint64(n.Uint32(b[8:])), root: n.Uint64(b[16:]), freelist: n.Uint64(b[32:]), pages: n.Uint64(b[40:]), transaction: n.Uint64(b[48:])}
	return m, m.pageSize >= 512 && m.pageSize <= 1<<16 && m.pageSize&(m.pageSize-1) == 0
}

// open reads a page's head, and its elements if it is of the tree, and returns
// its whole length.
func (w *pageWalk) open(id uint64) (flags, count uint16, size uint64, err error) {
	if id < 2 || id >= w.meta.pages {
		return 0, 0, 0, errors.New("there is no such page")
	}
	if err := w.read(id, w.meta.pageSize); err != nil {
		return 0, 0, 0, err
	}
	n := binary.NativeEndian
	flags, count = n.Uint16(w.page[8:]), n.Uint16(w.page[10:])
	pages := uint64(n.Uint32(w.page[12:])) + 1
	if n.Uint64(w.page) != id || id+pages > w.meta.pages {
		return 0, 0, 0, errors.New("its head is another page's")
	}
	for p := id; p < id+pages; p++ {
		if w.seen[p/64]&(1<<(p%64)) != 0 {
			return 0, 0, 0, fmt.Errorf("page %d is used twice", p)
		}
		w.seen[p/64] |= 1 << (p % 64)
	}
	size = pages * w.meta.pageSize
	if flags == pageFreelist {
		return flags, count, size, nil
	}
	if head := pageHead + uint64(count)*pageElement; head > size {
		return 0, 0, 0, errors.New("its elements do not fit into it")
	} else if head > w.meta.pageSize {
		err = w.read(id, head)
	}
	return flags, count, size, err
}

// read reads the first bytes of a page and what follows it.
func (w *pageWalk) read(id, size uint64) error {
	if uint64(cap(w.page)) < size {
		w.page = make([]byte, size)
	}
	w.page = w.page[:size]
	_, err := w.f.ReadAt(w.page, int64(id*w.meta.pageSize))
	return err
}

func (w *pageWalk) walk(s pageSpan) error {
	flags, count, size, err := w.open(s.id)
	if err != nil {
		return err
	}
	switch flags {
	case pageBranch:
		return w.branch(s, count, size)
	case pageLeaf:
		return w.leaf(s, count, size)
	}
	return fmt.Errorf("it is neither branch nor leaf (flags 0x%x)", flags)
}

func (w *pageWalk) branch(s pageSpan, count uint16, size uint64) error {
	if count == 0 {
		return errors.New("a branch without children")
	}
	n, lo := binary.NativeEndian, s.lo
	from := len(w.todo)
	for i := range uint64(count) {
		at := pageHead + i*pageElement
		e := w.page[at:]
		key, err := w.key(s.id, at+uint64(n.Uint32(e)), uint64(n.Uint32(e[4:])), 0, size)
		if err != nil {
			return err
		}
		if i > 0 && bytes.Compare(key, lo) <= 0 || s.hi != nil && bytes.Compare(key, s.hi) >= 0 {
			return errors.New("its keys are out of order")
		}
		lo = bytes.Clone(key)
		if i > 0 {
			w.todo[len(w.todo)-1].hi = lo
		}
		w.todo = append(w.todo, pageSpan{id: n.Uint64(e[8:]), lo: lo, bucket: s.bucket})
	}
	w.todo[len(w.todo)-1].hi = s.hi
	w.todo[from].lo = s.lo // the first child's key may have grown
	return nil
}

func (w *pageWalk) leaf(s pageSpan, count uint16, size uint64) error {
	n := binary.NativeEndian
	before := s.lo
	for i := range uint64(count) {
		at := pageHead + i*pageElement
		e := w.page[at:]
		flags, keyAt, keySize, valueSize := n.Uint32(e), at+uint64(n.Uint32(e[4:])), uint64(n.Uint32(e[8:])), uint64(n.Uint32(e[12:]))
		key, err := w.key(s.id, keyAt, keySize, valueSize, size)
		if err != nil {
			return err
		}
		if c := bytes.Compare(key, before); c < 0 || c == 0 && i > 0 || s.hi != nil && bytes.Compare(key, s.hi) >= 0 {
			return errors.New("its keys are out of order")
		}
		before = key
		if _, _, ok := splitBlockKey(key); !ok && s.bucket == string(bucketHistory) {
			return errors.New("a block's key is not one")
		}
		if flags&leafBucket != 0 {
			if err := w.bucket(string(key), keyAt+keySize, valueSize); err != nil {
				return err
			}
		} else if flags != 0 {
			return fmt.Errorf("a key with flags 0x%x", flags)
		}
	}
	return nil
}

// key checks that a key and its value lie in the page, and returns the key.
func (w *pageWalk) key(id, at, size, value, page uint64) ([]byte, error) {
	if at+size+value > page {
		return nil, errors.New("a key or value reaches out of it")
	}
	if at+size <= uint64(len(w.page)) {
		return w.page[at : at+size : at+size], nil
	}
	key := make([]byte, size)
	if _, err := w.f.ReadAt(key, int64(id*w.meta.pageSize+at)); err != nil {
		return nil, err
	}
	return key, nil
}

// bucket goes on with the tree of a bucket, or looks at the page in its value.
func (w *pageWalk) bucket(name string, at, size uint64) error {
	if size < 16 || at+size > uint64(len(w.page)) {
		return errors.New("a bucket's head is cut")
	}
	b := w.page[at : at+size]
	n := binary.NativeEndian
	if root := n.Uint64(b); root != 0 {
		w.todo = append(w.todo, pageSpan{id: root, bucket: name})
		return nil
	}
	inline := &pageWalk{meta: w.meta, page: b[16:]}
	if len(inline.page) < pageHead {
		return errors.New("a bucket's page is cut")
	}
	flags, count := n.Uint16(inline.page[8:]), n.Uint16(inline.page[10:])
	if flags != pageLeaf || pageHead+uint64(count)*pageElement > uint64(len(inline.page)) {
		return errors.New("a bucket's page is not a leaf")
	}
	err := inline.leaf(pageSpan{bucket: name}, count, uint64(len(inline.page)))
	if err == nil && len(inline.todo) > 0 {
		err = errors.New("a bucket in a bucket's page")
	}
	return err
}

// freelist checks that the free pages are none of those that are used.
func (w *pageWalk) freelist() error {
	if w.meta.freelist == noFreelist {
		return nil
	}
	flags, count16, size, err := w.open(w.meta.freelist)
	if err == nil && flags != pageFreelist {
		err = fmt.Errorf("flags 0x%x", flags)
	}
	if err == nil {
		err = w.read(w.meta.freelist, size)
	}
	if err != nil {
		return fmt.Errorf("%w: freelist: %w", errPages, err)
	}
	n := binary.NativeEndian
	ids, count := w.page[pageHead:], uint64(count16)
	if count == 0xFFFF {
		count, ids = n.Uint64(ids), ids[8:]
	}
	if count > uint64(len(ids))/8 {
		return fmt.Errorf("%w: freelist: it is longer than its page", errPages)
	}
	before := uint64(1)
	for i := range count {
		id := n.Uint64(ids[8*i:])
		if id <= before || id >= w.meta.pages || w.seen[id/64]&(1<<(id%64)) != 0 {
			return fmt.Errorf("%w: freelist: page %d is used, or out of order", errPages, id)
		}
		before = id
	}
	return nil
}
