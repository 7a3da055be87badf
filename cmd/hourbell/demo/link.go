package demo

import (
	"context"
	"errors"
	"net"
	"sync"
)

var errDark = errors.New("no signal")

// link is a machine's way to the service over the mobile network. While it is
// dark nothing gets through in either direction: connections are cut, and a dial
// hangs.
type link struct {
	mu    sync.Mutex
	lit   chan struct{} // closed while there is a signal
	conns map[net.Conn]struct{}
}

func newLink() *link {
	l := &link{lit: make(chan struct{}), conns: map[net.Conn]struct{}{}}
	close(l.lit)
	return l
}

// darken cuts every connection and lets no other come about.
func (l *link) darken() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.lit = make(chan struct{})
	for c := range l.conns {
		_ = c.Close() // whoever uses it is told
	}
	clear(l.conns)
}

// lighten lets the link work again.
func (l *link) lighten() {
	l.mu.Lock()
	defer l.mu.Unlock()
	close(l.lit)
}

func (l *link) isDark() bool {
	select {
	case <-l.signal():
		return false
	default:
		return true
	}
}

// signal is closed while there is one.
func (l *link) signal() <-chan struct{} {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lit
}

// await waits for a signal.
func (l *link) await(ctx context.Context) error {
	select {
	case <-l.signal():
		return nil
	case <-ctx.Done():
		return errors.Join(errDark, context.Cause(ctx))
	}
}

// dial opens a connection, for gRPC.
func (l *link) dial(ctx context.Context, addr string) (net.Conn, error) {
	if err := l.await(ctx); err != nil {
		return nil, err
	}
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", addr)
	if err != nil {
		return nil, err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	select {
	case <-l.lit:
	default:
		return nil, errors.Join(errDark, c.Close())
	}
	l.conns[c] = struct{}{}
	return &linked{c, l}, nil
}

// linked is a connection that the link knows of.
type linked struct {
	net.Conn
	link *link
}

// Close implements net.Conn.
func (c *linked) Close() error {
	c.link.mu.Lock()
	delete(c.link.conns, c.Conn)
	c.link.mu.Unlock()
	return c.Conn.Close()
}
