// Package spoolhash is the rolling hash over the events of one spool epoch. Agent
// and service work it out alike, so that a repeat (same hash at the same sequence
// number) can be told from a fork (a copied spool that went its own way).
//
// H is a 32-byte hash, n a sequence number from 1:
//
//	H(0) = SHA-256("hourbell spool epoch" || epoch id, 16 bytes)
//	H(n) = SHA-256(H(n-1) || n as 8 bytes big endian || payload of event n)
//
// The payload is the event's bytes as sent, never re-marshalled. SHA-256 is FIPS 180-4.
package spoolhash

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
)

const prefix = "hourbell spool epoch"

// Epoch is the random id of a spool epoch.
type Epoch [16]byte

// Hash is the rolling hash after an event, or at the start of an epoch.
type Hash [sha256.Size]byte

// Start is H(0) of an epoch.
func Start(e Epoch) Hash {
	var b [len(prefix) + len(e)]byte
	copy(b[:], prefix)
	copy(b[len(prefix):], e[:])
	return sha256.Sum256(b[:])
}

// Next is H(seq), from H(seq-1) and the payload of event seq.
func Next(prev Hash, seq uint64, payload []byte) Hash {
	var room [512]byte // no allocation up to a payload of 472 bytes
	b := append(room[:0], prev[:]...)
	b = binary.BigEndian.AppendUint64(b, seq)
	return sha256.Sum256(append(b, payload...))
}

// String is the id in hex.
func (e Epoch) String() string { return hex.EncodeToString(e[:]) }

// String is the hash in hex.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// ParseEpoch reads what Epoch.String writes.
func ParseEpoch(s string) (e Epoch, err error) { return e, parse(e[:], s) }

// MarshalText writes hex.
func (e Epoch) MarshalText() ([]byte, error) { return []byte(e.String()), nil }

// UnmarshalText reads hex.
func (e *Epoch) UnmarshalText(b []byte) error { return parse(e[:], string(b)) }

// MarshalText writes hex.
func (h Hash) MarshalText() ([]byte, error) { return []byte(h.String()), nil }

// UnmarshalText reads hex.
func (h *Hash) UnmarshalText(b []byte) error { return parse(h[:], string(b)) }

// parse fills dst from hex of exactly its length.
func parse(dst []byte, s string) error {
	b, err := hex.DecodeString(s)
	if err != nil || len(b) != len(dst) {
		return fmt.Errorf("%q: want %d hex digits", s, 2*len(dst))
	}
	copy(dst, b)
	return nil
}
