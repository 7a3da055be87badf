package seglog

import "fmt"

// Batch gathers records for one AppendBatch, framed and summed already, so that
// the log only numbers and writes them. The zero value is ready; not safe for
// concurrent use.
type Batch struct {
	buf  []byte // room for a mark, then frames
	n    int
	used bool
	big  int // largest record
}

// Add copies a record into the batch.
func (b *Batch) Add(rec []byte) {
	if len(b.buf) == 0 {
		b.buf = append(b.buf, make([]byte, markSize)...)
	}
	b.buf = appendRecord(b.buf, rec)
	b.n++
	b.big = max(b.big, len(rec))
}

// Len is the number of records.
func (b *Batch) Len() int { return b.n }

// Size is how many bytes of a segment the records take at most.
func (b *Batch) Size() int { return len(b.buf) }

// Reset empties the batch and keeps its memory.
func (b *Batch) Reset() { b.buf, b.n, b.used, b.big = b.buf[:0], 0, false, 0 }

func (b *Batch) check(maxRecord int) error {
	if b.used {
		return ErrBatchUsed
	}
	if b.big > maxRecord {
		return fmt.Errorf("%w: %d bytes, at most %d; nothing was appended", ErrTooLarge, b.big, maxRecord)
	}
	return nil
}

// FrameSize is how many bytes a record of n bytes takes in a segment.
func FrameSize(n int) int { return uvarintLen(uint64(n)+tagRecord) + checkSize + n }
