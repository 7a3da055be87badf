// Package local is the store in a folder of its own: a journal that is the truth,
// and folds in bbolt that make it quick to read. It is the embedded default.
//
// # Folder
//
//	journal/      segments of internal/seglog; its lock is the store's: one writer process
//	folds.bolt    what is folded out of the journal, rebuilt from it when it is damaged
//	incarnation   16 random bytes and their checksum; made with the store and after a restore
//	reached       how far the journal was synced when checkpoints or folds were last written:
//	              a journal that ends before it was restored from an older copy
//	aside/        folds that could not be used, as they were found, numbered; the newest
//	              four are kept, nobody reads them
//	probe         what Probe writes
//
// # What is promised
//
// Append returns when its stretches are synced in the journal; bbolt has no part
// in it. A goroutine folds what was appended, in key order, a commit for each few
// megabytes. What is not folded yet is kept in memory too (bounded: Append waits
// when folding is far behind), so that Read sees everything that was answered for.
// A crash loses nothing: at open, the journal behind the position that the folds
// stand for is replayed.
//
// Folds that do not open, fail a checksum or stand for a position that the journal
// doesn't have are set aside and rebuilt. A history block that is damaged or
// missing is rebuilt from the journal when a read meets it. What is damaged in the
// journal as well is said: store.DamagedError for the revisions, and counted.
// Damage that hides whose revisions they were renews the incarnation, as a restore
// does, so that agents and phones are asked for what they still hold.
//
// After a failed write the store is broken (store.ErrBroken) and must be opened
// again; nothing is tried a second time.
//
// # Record of the journal
//
// One record is one stretch: consecutive entries of one stream. The segment log
// has its checksum. Integers are varints (LEB128), signed ones zigzag; each entry
// is told against the one before it, the first against zeros.
//
//	1          kind: a stretch, version 1
//	uvarint    length of the stream's name, and the name
//	uvarint    revision of the first entry
//	uvarint    number of entries, then for each entry:
//	  1        flags
//	  16       flag 1: epoch (the key's stream id), where it is another
//	  varint   flag 2: sequence - (sequence before + 1), where that is not 0
//	  1        flag 4: writer, where it is another
//	  varint   change of the step of NotBefore, ms
//	  varint   flag 8: NotAfter - NotBefore, ms, where that is not 0
//	  varint   flag 16: Known - Known before, ms, where that is not 0
//	  uvarint  length of the bytes as received, and the bytes
//
// A steady reading costs three bytes beside its own.
//
// # Folds
//
//	v1                             version of the layout
//	├── meta
//	│   └── position               journal position, check of the last record, number
//	│                              and checksum of all heads, CRC32C
//	├── heads
//	│   └── STREAM                 uvarint: last revision
//	├── history
//	│   └── STREAM 0 REVISION      a block of entries; REVISION is its first, u64 big endian
//	└── checkpoints
//	    └── STREAM                 newest checkpoint
//
// A block holds up to 4,096 entries or 256 KiB as received. Integers as above, u32
// little endian:
//
//	1          version, 1
//	u32        CRC32C of the key and of what follows
//	1          kind: 0 plain, 1 packed with zstd, 2 damaged: these revisions can't be read
//	uvarint    number of entries
//	uvarint    their bytes as received
//	uvarint    journal index of the first record, and of the last less the first
//	           then the body; packed: uvarint length of the plain body, zstd;
//	           damaged: why, as text; plain: seven columns, each with its length before it:
//	             epochs   runs: uvarint entries, 16 bytes
//	             sequence varint: step less 1
//	             writers  runs: uvarint entries, 1 byte
//	             at       varint: change of the step of NotBefore
//	             width    varint: NotAfter - NotBefore
//	             known    varint: step of Known
//	             length   uvarint: bytes as received
//	           and the bytes as received, turned (see turner)
//
// A checkpoint:
//
//	1          version, 1
//	uvarint    revision
//	32         the stream's chain there
//	32         hash of the checkpoint before it, zeros if none
//	32         SHA-256 of stream, 0, revision (u64 big endian), chain, hash before, fold
//	uvarint    length of the fold if packed with zstd, else 0
//	           the fold
//
// Trimming the journal to a disk budget is not part of it yet: all segments are
// kept, sealed ones compressed by Maintain.
package local
