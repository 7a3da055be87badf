// Package combinesim is a combine harvester that is physical enough: it puts
// J1939 frames on a bus, one after another with their exact times, and knows
// what it did. The demo, tests and the bench hold what others heard against
// [Machine.Truth], which comes from the simulated world and never from the
// frames.
//
// # The world
//
// The world moves in steps of 100 ms ([Step]); between steps every value holds.
// All arithmetic is in integers and all randomness comes from the seed, so the
// same [Config] gives the same bytes on every processor. Exactly one random
// number is drawn a step, whatever happens, so two machines that differ in a
// fault or in their rates live through the same day otherwise: the truth does
// not depend on the rates at all.
//
// An engine with a governor (droop under load, first-order lag) turns, through
// a clutch, the threshing shafts:
//
//	engine ──clutch──┬── rotor
//	                 └── cleaning drive ──┬── elevator shaft
//	                                      ├── fan shaft ── fan
//	                                      └── clutch ── header shaft
//
// Speeds, ratios, loads and consumption are of a size that is usual in the
// trade (common practice, no source); none is a particular machine's.
//
// # The bus
//
// Three controllers speak: the engine's (source 0x00), the thresher's (0xB2) and
// the header's (0xB7). They claim their addresses when the key is turned on,
// say who they are, and fall silent a few seconds after key-off. Parameters that
// J1939 defines stand where it puts them; the machine's own groups are laid out
// as [Layouts] says. Frames queue for the bus one behind another, each for as
// long as its bits take without stuffing.
package combinesim
