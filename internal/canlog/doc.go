// Package canlog turns the lines of a CAN recording into frames, and frames into lines.
//
// Both forms that the Linux can-utils write are read. The log form (candump -l, -L):
//
//	(1634254884.935126) can1 0CF00400#F87D7D000000FF7D
//	 seconds . fraction  iface  id # data
//
// The fraction has six digits (microseconds) or nine (nanoseconds). The interface may be padded with
// blanks on its left. An identifier of three hex digits is an 11-bit one, of eight digits a 29-bit one,
// or an error frame where bit 29 is set. After the identifier stands
//
//	#AABB      0 to 8 bytes of data, with or without '.' between bytes
//	#AA..HH_E  8 bytes of data and the raw length code 9 to F
//	#R, #R4    a remote request and its length
//	##3AABB    CAN FD: one hex digit of flags, then 0 to 64 bytes
//
// and, where it was asked for, " R" (received) or " T" (sent).
//
// The screen form (candump without -L):
//
//	(001.000041)  can1  18F11031   [8]  00 00 FF FF FF FF FF FF
//	 stamp or none iface id  length  data
//
// with [08] for CAN FD, {E} for a raw length code, "RX - -" or "TX B E" before the identifier,
// "remote request" or "ERRORFRAME" in or after the data, and text in quotes after the data (not read).
//
// Refused by name: CAN XL frames, local time (-t A), differences between frames (-t d), bytes printed in
// reverse (-S), bits (-i), colours (-c).
//
// Lines "DROPCOUNT: dropped N CAN frames ..." tell of loss and are counted as such. Every other line is
// a comment: skipped and counted.
//
// The forms are those of can-utils (linux-can/can-utils, candump.c and lib.h). The package has no clock
// and does no I/O but reading from the reader and writing to the slice it was given.
package canlog
