// Package maintenance is the domain: what is known of a machine, and how each
// event changes it.
//
// It is pure and deterministic: no clock, no input or output, no goroutines, no
// randomness, no logging, no floating point, and nothing that depends on the
// order of a map. The same stream of events gives the same state, byte for
// byte, on every processor, on the agent as at the service. It imports the
// standard library and its own subpackages only.
package maintenance
