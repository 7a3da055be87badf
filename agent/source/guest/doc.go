// Package guest tries the CAN source and the whole agent on a virtual bus, in an
// emulated kernel that has CAN. It has no code of its own, only tests.
package guest
