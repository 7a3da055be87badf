// Package local is how a program on the box asks the running agent: a small
// HTTP service on a unix socket in the data folder, and its client.
//
//	GET /status   how the agent stands
//	GET /due      what is due on this machine, by the cab's own reckoning
//
// The socket's mode is 0600: whoever may read the data folder may ask. Answers
// are JSON objects; numbers carry their unit in their name, and instants are
// milliseconds since 1970 (0: not known).
package local

import "errors"

// SocketName is the socket's name in the data folder.
const SocketName = "agent.sock"

// ErrNotRunning says that no agent answers there.
var ErrNotRunning = errors.New("no agent is running on this data folder")
