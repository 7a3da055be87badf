// Package spool is the agent's durable, bounded queue of its machine's events.
//
// An event is appended and synced, gets the next sequence number of the spool's
// epoch, and advances the epoch's rolling hash (internal/spoolhash). The uplink
// reads by sequence number and acknowledges what the service has on disk. What is
// acknowledged stays while room lasts.
//
// # Folder
//
//	log/              the segments, package seglog
//	epochs.meta       the epochs, the current one last
//	acked.meta        how far the service has acknowledged
//	NAME.state        small state of the agent, see SaveState
//	*.damaged         a state or meta file whose checksum failed, set aside
//	reserve           a segment's worth of zeros and some more, so that a full disk
//	                  still takes a person's record and thinning has room to work in
//
// Meta and state files are replaced whole: written under another name, synced,
// renamed, the folder synced. They begin with "hbstate1" and the CRC32C of their
// name and content.
//
// # Records in the log
//
//	checkpoint  1, epoch ordinal, epoch id 16, sequence so far, hash so far 32
//	event       0x10 + class, key, time (zigzag ms since 1970), payload
//	gap         2, epoch ordinal, from, count, readings, keeps, records, hash after 32
//
// Numbers are uvarints. Every segment begins with a checkpoint, so the chain can be
// followed from any segment's start. Events carry no sequence number of their own:
// it is counted from the checkpoint, so a new epoch renumbers what it carries over
// by noting the log index where it begins, without copying anything.
//
// # What goes when room runs out
//
// In this order, each step oldest first and only until there is room:
//
//  1. whole segments of acknowledged events, and the acknowledged head of the next
//  2. readings, every other one of each key in each run, again and again, as long
//     as the next one kept is within MinSpacing of the one before. (A gap costs
//     some 45 bytes, so one rewrite halves as often as it takes to gain a quarter.)
//  3. readings but the last of each run (a run ends where another class begins)
//  4. keeps, then of each segment the readings but the last of each key
//  5. all readings
//
// A record that isn't acknowledged is never dropped. Where nothing else is left,
// Append fails with *FullError and changes nothing. A gap is left in place of what
// was thinned, with counts and the hash after it, so the chain can be followed
// across it. Meters are absolute, so no hours are lost by a gap.
//
// The disk's own ENOSPC is met in the same order.
//
// # Damage
//
// An event whose bytes rotted can't be sent and breaks the chain. Open then begins
// a new epoch by itself: what is unacknowledged and sound is carried over, the lost
// stretch is a gap with Lost set.
package spool
