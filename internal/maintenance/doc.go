// Package maintenance is the domain: what is known of a machine, and how each
// event changes it.
//
// It is pure and deterministic: no clock, no input or output, no goroutines, no
// randomness, no logging, no floating point, and nothing that depends on the
// order of a map. The same stream of events gives the same state, byte for
// byte, on every processor, on the agent as at the service. It imports the
// standard library and its own subpackages only.
//
// Admit says whether an event can be taken in, Apply changes a State by it and
// says what followed. Apply is total: an event that can't be is ignored with its
// reason, and any event in any state gives a state. What is due, and all that is
// kept beside it (records, parts, measures, remarks, walk-rounds, seasons), follows
// from the events by the time at which they were true, not from the order in which
// they arrived. Everything in a State is bounded, see bounds.go.
//
// Counter and Explain read when a task is due and why; Says, Ready, Sheet, Look,
// Review and the like read the rest when somebody asks. AppendEvent, AppendChart
// and AppendState are the fixed encodings that hash chains cover.
//
// What Apply does, what it refuses and the constants of bounds.go are the rules
// of one version. A change of them is a new version: RulesVersion is raised, the
// state's Rules chooses between the old way and the new one, and a stream goes
// over with a RulesChanged event. Version 2 is WorkRules. The golden stream in
// testdata is replayed ever after.
package maintenance
