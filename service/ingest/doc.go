// Package ingest is the one owner of every machine's state.
//
// What comes for a machine (from its agent, from people, from the service
// itself) is decided in order against the state with all queued events in it,
// and queued. One committer gathers what all machines brought, has the store
// append and sync it in one go, and only then are senders told, watchers fed
// and readers let through. The journal is the truth: the state is its fold, and
// a checkpoint only saves time.
//
//	Offer, OfferSpool, Act ─▶ decide and apply (per machine) ─▶ queue
//	                                                              │
//	senders and readers ◀─ done ◀─ store.Append (one sync) ◀─ committer ─▶ live
//
// A state is ahead of the journal by what is queued. Nothing of that shows:
// a read waits for the commit of what it has seen.
//
// If an append fails nothing of it is acknowledged, and ingest stops for good:
// what is on disk is then not known, so the process closes the store, opens it
// again and reads. It never tries the same write again.
package ingest
