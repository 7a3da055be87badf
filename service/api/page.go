package api

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/hourbell/hourbell/service/fault"
)

// The sizes of a page (AIP-158).
const (
	defaultPage = 50
	maxPage     = 1000
)

// A page token is base64url of a version, a hash that binds it to its request,
// and the cursor: the key of the last row given.
//
//	byte 0      version, 1
//	bytes 1-16  SHA-256 of the request's name and of the request without page_size
//	            and page_token, cut
//	bytes 17-   cursor
const (
	tokenVersion = 1
	tokenHead    = 17
)

// paged is a List request.
type paged interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// pager is one page that is asked for.
type pager struct {
	size   int
	bound  [16]byte
	cursor string
	begun  bool // there is a cursor
}

// newPager reads what page a request asks for.
func newPager(req paged) (pager, error) {
	var p pager
	switch size := req.GetPageSize(); {
	case size < 0:
		return p, fault.InvalidField("page_size", fmt.Sprintf("it is %d", size), "leave it out for 50, or give 1 to 1000")
	case size == 0:
		p.size = defaultPage
	default:
		p.size = min(int(size), maxPage)
	}
	p.bound = bind(req)
	if req.GetPageToken() == "" {
		return p, nil
	}
	b, err := base64.RawURLEncoding.Strict().DecodeString(req.GetPageToken())
	if err != nil || strings.ContainsAny(req.GetPageToken(), "\r\n") || len(b) < tokenHead || b[0] != tokenVersion {
		return p, fault.InvalidField("page_token", "it is no token of this service", "send it as next_page_token gave it, or leave it out to begin anew")
	}
	if [16]byte(b[1:tokenHead]) != p.bound {
		return p, fault.InvalidField("page_token", "it belongs to another request", "send the other fields as they were when it was given, or leave it out to begin anew")
	}
	p.cursor, p.begun = string(b[tokenHead:]), true
	return p, nil
}

// bind hashes a request without its page.
func bind(req proto.Message) [16]byte {
	m := proto.CloneOf(req).ProtoReflect()
	for _, field := range []protoreflect.Name{"page_size", "page_token"} {
		m.Clear(m.Descriptor().Fields().ByName(field))
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m.Interface())
	if err != nil {
		b = nil // text out of form; it is refused where it is read
	}
	h := sha256.New()
	h.Write([]byte(m.Descriptor().FullName()))
	h.Write([]byte{0})
	h.Write(b)
	return [16]byte(h.Sum(nil))
}

// token gives the token of the page after the row with this key.
func (p pager) token(key string) string {
	b := append([]byte{tokenVersion}, p.bound[:]...)
	return base64.RawURLEncoding.EncodeToString(append(b, key...))
}

// badCursor says that a token's cursor is out of form.
func badCursor() error {
	return fault.InvalidField("page_token", "it is damaged", "send it as next_page_token gave it, or leave it out to begin anew")
}

// slicePage gives the rows of a page out of all rows, which are in order of
// their keys, and the token of the next one.
func slicePage[T any](p pager, rows []T, key func(T) string) ([]T, string) {
	if p.begun {
		from, _ := slices.BinarySearchFunc(rows, p.cursor, func(row T, cursor string) int {
			if key(row) <= cursor {
				return -1
			}
			return 1
		})
		rows = rows[from:]
	}
	if len(rows) <= p.size {
		return rows, ""
	}
	rows = rows[:p.size]
	return rows, p.token(key(rows[len(rows)-1]))
}
