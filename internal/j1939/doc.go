// Package j1939 turns the frames of an SAE J1939 or ISO 11783 bus into values, names and trouble codes.
// It listens only: nothing in it sends.
//
// A Bus takes frames one by one (Push) and the passing of time (Tick) and answers with a Report: the
// parameters and the machine's own signals in that frame, a message that a transport has made whole,
// the trouble codes of a message, starts and ends of codes, identities, clear requests. A Report is
// reused by the next call. In steady state no call allocates, all memory is taken by NewBus, and none
// of it grows with what is heard, whoever sends it.
//
// There is no clock in here. Times are int64 nanoseconds on one axis of the caller's choice; they should
// not run backwards. A time before the latest one is taken as the latest (and counted) wherever
// something waits for time to pass.
//
// Numbers are exact: a value is a raw integer with a rational scale and offset. Floating point is for
// printing.
//
// Out of scope: the extended transport (ETP, groups 51200 and 50944) and CAN FD (J1939-22); frames of
// both are counted in Stats.
//
// Layouts and rules are those of SAE J1939-21, -71, -73 and -81 and ISO 11783-3, -5, -7, -10 and -11 as far as
// public sources print them; a figure that is from memory is marked so where it stands.
package j1939
