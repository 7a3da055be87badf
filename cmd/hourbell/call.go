package main

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"

	"google.golang.org/grpc"
)

// pageSize is how many rows the commands ask for at once.
const pageSize = 500

// call makes one call of a service's client: new makes the client, method is one
// of its methods.
func call[C, Q, A any](s *session, newClient func(grpc.ClientConnInterface) C, method func(C, context.Context, Q, ...grpc.CallOption) (A, error), request Q) (A, error) {
	var none A
	conn, err := s.client()
	if err != nil {
		return none, err
	}
	return method(newClient(conn), s.ctx, request)
}

// pages calls for page after page until the last; page takes the rows in.
func pages(fetch func(token string) (next string, err error)) error {
	for token := ""; ; {
		next, err := fetch(token)
		if err != nil || next == "" {
			return err
		}
		token = next
	}
}

// requestID makes the id of a person's act, a random UUID (RFC 9562, version 4).
func requestID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // never fails
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:])
}

// pick finds the one name whose last part begins with what was typed.
func pick(kind, typed string, names []string) (string, error) {
	typed = strings.ToLower(lastPart(typed))
	var found []string
	for _, name := range names {
		if strings.HasPrefix(lastPart(name), typed) {
			found = append(found, name)
		}
	}
	switch {
	case len(typed) < minTyped:
		return "", fmt.Errorf("%s %q: type at least %d characters of its id", kind, typed, minTyped)
	case len(found) == 0:
		return "", fmt.Errorf("there is no %s whose id begins with %q on this machine", kind, typed)
	case len(found) > 1:
		return "", fmt.Errorf("%d %ss begin with %q: type more of the id", len(found), kind, typed)
	}
	return found[0], nil
}

// minTyped is how much of an id must be typed; shown is how much is printed.
const (
	minTyped = 4
	shown    = 8
)

// short gives the part of an id that tables print.
func short(name string) string {
	id := lastPart(name)
	return id[:min(shown, len(id))]
}
