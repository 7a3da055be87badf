// Package seglog is an append-only log of records in segment files, each record
// with its checksum: the agent's spool and the service's journal.
//
// A record is opaque bytes. Records have consecutive indexes, from
// Options.FirstIndex (1 unless set) upwards. One process writes; any number of
// readers in that process read what is synced, while it writes.
//
// # What is promised
//
//   - A record is durable once a Sync that began after its Append has returned
//     nil. Nothing durable is lost by a crash, nothing is invented, order is kept.
//   - After any failed change (write, sync, rename, ...) the log is broken and
//     says so for ever ([ErrBroken]). Open it again to find the truth. A sync is
//     never retried: on the open after it, what no mark vouches for is written
//     and synced anew, because a kernel may have dropped pages it could not write.
//   - A torn tail (a crash amid a write) is cut off at open, counted in Recovery
//     and kept in a side file. Damage elsewhere (bit rot) stays where it is and is
//     said as a gap: [DamagedError] with From and To. Reading goes on after it.
//
// # Folder
//
//	lock                         held (flock) by the writer; its process id as text
//	00000000000000000001.seg     a segment, named by the index of its first record
//	00000000000000004097.seg     ... the last one is the active one, the rest are sealed
//	*.tmp                        unfinished; removed at open
//	*.torn, *.damaged            bytes set aside, the newest few of each
//
// A new or rewritten segment is made as .tmp, synced, renamed, and the folder
// synced. A segment holds the indexes from its own first to the next segment's
// first; what it holds beyond that (a crash amid a merge) does not count.
//
// # Plain segment
//
//	offset size  header
//	0      8     magic "hbseglog"
//	8      1     version, 1
//	9      1     kind: 0 plain, 1 blocks
//	10     6     zero
//	16     8     index of the first record
//	24     4     zero
//	28     4     CRC32C of bytes 0 to 27
//	32           frames, then nothing or zeros
//
// Integers are little endian. The first byte of a frame says what it is:
//
//	0      end: nothing written from here on
//	1      mark:  tag, next index u64, behind u32, CRC32C of the 13 bytes before
//	2      skip:  tag, from u64, to u64, CRC32C of the 17 bytes before: the owner
//	              dropped the records [from, to)
//	3      lost:  as skip: [from, to) was found damaged before a rewrite
//	4...   record: uvarint(length + 4), check u32, payload
//
// A record's check is CRC32C(payload) XOR uint32(index)*0x9E3779B1 XOR
// uint32(index>>32), so that a good record in a wrong place is a bad one, yet the
// payload's sum can be made before the index is known, and the index a record
// claims can be worked out when reading has to find its feet behind damage. The
// overhead is 5 bytes for a record up to 123 bytes, 6 up to 16,379.
//
// A mark stands before the first frame of a write when something was synced since
// the mark before (and at least 512 bytes were written since). It vouches:
// all records below next-behind were synced when it was written. So what a mark
// vouches for can't be a torn tail, and at open bad bytes before such a mark are
// damage, never cut. Where no mark vouches yet (the last commit), bad bytes
// followed by good records are a tear if a whole disk sector of them, from where
// they begin, reads as zeros, and damage if not: segments are never recycled, so
// a sector that a crash kept from the disk reads as zeros.
//
// # Segment of blocks
//
// A sealed segment that CompressSealed rewrote. Header as above with kind 1, then
// 28 bytes codec name padded with zeros and the CRC32C of these, then blocks:
//
//	0      4     "hbbk"
//	4      4     length of the packed bytes
//	8      4     length of the frames in it
//	12     8     first index
//	20     8     index after the last
//	28     4     CRC32C of the packed bytes
//	32     4     CRC32C of the frames
//	36     4     CRC32C of bytes 0 to 35
//	40           the packed frames: records as uvarint(length + 4) and payload, skip
//	             and lost as tag, from, to; without checks, the block has them
//
// and behind the blocks an index, for each block first u64, after u64, offset u64,
// then a footer of 32 bytes: magic "hbblocks", number of blocks u32, CRC32C of the
// index u32, offset of the index u64, zero u32, CRC32C of the 28 bytes before. Where
// index or footer are damaged the blocks are found by walking.
package seglog
