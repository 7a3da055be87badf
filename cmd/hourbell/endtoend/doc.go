// Package endtoend drives the real programs from outside and takes the power
// from them. It has no code of its own, only tests.
package endtoend
