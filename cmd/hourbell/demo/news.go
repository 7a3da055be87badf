package demo

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// newsLock is a lock with news: who waits for something looks again whenever
// something changed.
type newsLock struct {
	sync.Mutex
	news chan struct{} // closed at the next change; nil: nobody waits
}

// changed wakes everyone who waits. Call it locked.
func (n *newsLock) changed() {
	if n.news != nil {
		close(n.news)
		n.news = nil
	}
}

// wait waits until ok, which is called locked, but no longer than most.
func (n *newsLock) wait(ctx context.Context, most time.Duration, ok func() bool) error {
	timer := time.NewTimer(most)
	defer timer.Stop()
	for {
		n.Lock()
		if ok() {
			n.Unlock()
			return nil
		}
		if n.news == nil {
			n.news = make(chan struct{})
		}
		news := n.news
		n.Unlock()
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-timer.C:
			return fmt.Errorf("nothing came of it in %v", most)
		case <-news:
		}
	}
}
