package notify_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/service/notify"
)

// fleet is machines' states on the disk of a test: what is in it survives a
// restart of the outbox.
type fleet struct {
	mu     sync.Mutex
	states map[string]*maintenance.State
	noFate int // so many fates can't be journalled
	noView int // so many looks at all of them fail
	fates  []string
}

func newFleet() *fleet {
	return &fleet{states: map[string]*maintenance.State{}}
}

func (f *fleet) Machines(yield func(string) bool) {
	f.mu.Lock()
	ids := slices.Sorted(maps.Keys(f.states))
	f.mu.Unlock()
	for _, id := range ids {
		if !yield(id) {
			return
		}
	}
}

func (f *fleet) View(_ context.Context, machine string, show func(*maintenance.State)) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	s := f.states[machine]
	if s == nil {
		return errors.New("no such machine")
	}
	show(s)
	return nil
}

func (f *fleet) ViewEach(_ context.Context, show func(string, *maintenance.State) bool) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, id := range slices.Sorted(maps.Keys(f.states)) {
		if !show(id, f.states[id]) {
			break
		}
	}
	if f.noView > 0 {
		f.noView--
		return errors.New("the journal is busy")
	}
	return nil
}

// fate journals a fate: it stands in the state from then on.
func (f *fleet) fate(_ context.Context, machine string, b *maintenance.NoticeFate) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.noFate > 0 {
		f.noFate--
		return errors.New("the journal is busy")
	}
	for i := range f.states[machine].Notices {
		if n := &f.states[machine].Notices[i]; n.ID == b.Notice {
			f.states[machine].Revision++
			n.Fates = append(n.Fates, maintenance.NoticeFateAt{Channel: b.Channel, Word: b.Word})
			f.fates = append(f.fates, fmt.Sprintf("%s %x %s %d", machine, b.Notice[:1], b.Channel, b.Word))
		}
	}
	return nil
}

// raise puts notices on a machine.
func (f *fleet) raise(machine string, at time.Time, ids ...byte) {
	f.mu.Lock()
	s := f.states[machine]
	if s == nil {
		s = &maintenance.State{Machine: maintenance.Commissioned{Machine: machine, Display: "Ossa", Customer: "tallow-fen"}}
		f.states[machine] = s
	}
	s.Revision++
	for _, id := range ids {
		n := maintenance.Notice{ID: maintenance.NoticeID{id}, Task: fmt.Sprintf("point/task-%d", id), Stage: maintenance.StageDue, Raised: moment.At(moment.Instant(at.UnixMilli()))}
		s.Notices = append(s.Notices, n)
	}
	f.mu.Unlock()
}

// closeNotice closes one.
func (f *fleet) closeNotice(machine string, id byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.states[machine].Notices {
		if n := &f.states[machine].Notices[i]; n.ID == (maintenance.NoticeID{id}) {
			n.Withdrawn = maintenance.Key{Seq: 1}
		}
	}
}

// far is a channel's far side.
type far struct {
	name string
	mu   sync.Mutex
	fail func(n int) error // of the n-th attempt, from 0
	n    int
	sent []string // message ids, with the time since the test began
	last []*notify.Message
	from time.Time
}

func newFar(name string, fail func(int) error) *far {
	return &far{name: name, fail: fail, from: time.Now()}
}

func (c *far) Name() string { return c.name }

func (c *far) Send(_ context.Context, m *notify.Message) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := c.n
	c.n++
	ids := ""
	for _, it := range m.Notices {
		ids += it.Machine + "/" + it.ID[:2] + " "
	}
	c.sent = append(c.sent, fmt.Sprintf("%v %s %s", time.Since(c.from).Round(time.Second), m.ID[:4], ids))
	c.last = append(c.last, m)
	if c.fail == nil {
		return nil
	}
	return c.fail(n)
}

// run runs an outbox until the function returns.
func run(t *testing.T, f *fleet, channels []notify.Channel, do func(*notify.Outbox)) {
	t.Helper()
	b, err := notify.New(notify.Options{Machines: f, Fate: f.fate, Channels: channels, Poll: 10 * time.Second})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- b.Run(ctx) }()
	synctest.Wait()
	do(b)
	cancel()
	require.NoError(t, <-done)
}

func TestNoticesThatComeUpTogetherGoOutTogether(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, c := newFleet(), newFar("log", nil)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) {
			f.raise("ossa-1", time.Now(), 1)
			time.Sleep(time.Second)
			f.raise("ossa-1", time.Now(), 2)
			f.raise("ossa-2", time.Now(), 3)
			time.Sleep(time.Minute)
		})
		require.Len(t, c.sent, 2)
		assert.Contains(t, c.sent[0], "ossa-1/01 ossa-1/02")
		assert.Contains(t, c.sent[1], "ossa-2/03")
		assert.Equal(t, "ossa-1", c.last[0].Machine)
		assert.False(t, c.last[0].Digest)
		assert.Equal(t, "03000000000000000000000000000000", c.last[1].ID, "the key of one notice is its id")
		assert.NotEqual(t, c.last[0].Notices[0].ID, c.last[0].ID)
		slices.Sort(f.fates)
		assert.Equal(t, []string{"ossa-1 01 log 1", "ossa-1 02 log 1", "ossa-2 03 log 1"}, f.fates)
	})
}

// later is a person's answer, and over ends it, as the domain does.
func (f *fleet) later(machine string, id byte, at hours.Millis) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.states[machine].Notices {
		if n := &f.states[machine].Notices[i]; n.ID == (maintenance.NoticeID{id}) {
			f.states[machine].Revision++
			n.Word, n.Waiting, n.LaterAt, n.LaterOn = maintenance.NoticeLater, true, at, "engine"
		}
	}
}

func (f *fleet) over(machine string, id byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.states[machine].Revision++
	for i := range f.states[machine].Notices {
		if n := &f.states[machine].Notices[i]; n.ID == (maintenance.NoticeID{id}) {
			n.Waiting = false
		}
	}
}

// TestALaterRingsAgainOnceItIsOver, each time once, with a key of its own, also
// where the service was started again in between.
func TestALaterRingsAgainOnceItIsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, c := newFleet(), newFar("log", nil)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) {
			f.raise("ossa-1", time.Now(), 1)
			time.Sleep(time.Minute)
			f.later("ossa-1", 1, 10*hours.Hour)
			time.Sleep(time.Minute)
		})
		require.Len(t, c.last, 1, "while it waits it is still")
		f.over("ossa-1", 1) // nobody hears it
		for range 2 {
			run(t, f, []notify.Channel{c}, func(*notify.Outbox) { time.Sleep(time.Minute) })
			require.Len(t, c.last, 2)
		}
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) {
			f.later("ossa-1", 1, 12*hours.Hour)
			f.over("ossa-1", 1)
			time.Sleep(time.Minute)
			f.over("ossa-1", 1)
			time.Sleep(time.Minute)
		})
		require.Len(t, c.last, 3)
		ids := map[string]bool{}
		for i, m := range c.last {
			ids[m.ID] = true
			assert.Equal(t, i > 0, m.Notices[0].Again)
		}
		assert.Len(t, ids, 3)
		assert.Equal(t, "01000000000000000000000000000000", c.last[0].ID)
		for _, kept := range f.states["ossa-1"].Notices[0].Fates {
			channel, _ := notify.FateOf(kept.Channel)
			assert.Equal(t, "log", channel)
		}
	})
}

// TestRestartSendsWhatHasNoFate: the outbox is what the states say.
func TestRestartSendsWhatHasNoFate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		f.raise("ossa-1", time.Now(), 1, 2)
		c := newFar("log", nil)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) { time.Sleep(time.Minute) })
		assert.Len(t, c.sent, 1)
		again := newFar("log", nil)
		run(t, f, []notify.Channel{again}, func(*notify.Outbox) { time.Sleep(time.Minute) })
		assert.Empty(t, again.sent, "each has its fate")
		other := newFar("webhook", nil)
		run(t, f, []notify.Channel{again, other}, func(*notify.Outbox) { time.Sleep(time.Minute) })
		assert.Len(t, other.sent, 1, "a new channel gets what stands")
		assert.Empty(t, again.sent)
	})
}

// TestADigestForWhatIsOlderThanAShift at the start, and only then.
func TestADigestForWhatIsOlderThanAShift(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		f.raise("ossa-1", time.Now().Add(-13*time.Hour), 1)
		f.raise("ossa-2", time.Now().Add(-30*time.Hour), 2, 3)
		f.raise("ossa-3", time.Now().Add(-11*time.Hour), 4)
		c := newFar("log", nil)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) {
			time.Sleep(time.Minute)
			f.raise("ossa-1", time.Now().Add(-20*time.Hour), 5) // a machine that was out of signal
			time.Sleep(time.Minute)
		})
		require.Len(t, c.last, 3)
		byKind := map[bool][]*notify.Message{}
		for _, m := range c.last {
			byKind[m.Digest] = append(byKind[m.Digest], m)
		}
		require.Len(t, byKind[true], 1)
		digest := byKind[true][0]
		assert.Empty(t, digest.Machine)
		assert.Len(t, digest.Notices, 3)
		assert.Equal(t, "ossa-3", byKind[false][0].Machine)
		assert.Equal(t, "ossa-1", byKind[false][1].Machine)
		assert.Len(t, f.fates, 5)
	})
}

// TestRetriesKeepTheirIDAndTheirPlan: Standard Webhooks' pauses, the same id each
// time, and given up after the last.
func TestRetriesKeepTheirIDAndTheirPlan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		c := newFar("webhook", func(int) error { return &notify.RefusedError{Why: "no"} })
		f.raise("ossa-1", time.Now(), 1, 2)
		run(t, f, []notify.Channel{c}, func(b *notify.Outbox) {
			time.Sleep(100 * time.Hour)
			assert.Equal(t, notify.ChannelStats{Seen: 2, GivenUp: 2, Failed: 20}, b.Stats()["webhook"])
		})
		// 0, 5 s, 5 m, 30 m, 2 h, 5 h, 10 h, 14 h, 20 h, 24 h after one another.
		var at []string
		ids := map[string]bool{}
		for i, m := range c.last {
			at = append(at, c.sent[i][:len(c.sent[i])-len(" 0000 ossa-1/01 ossa-1/02 ")])
			ids[m.ID] = true
		}
		assert.Equal(t, []string{"0s", "5s", "5m5s", "35m5s", "2h35m5s", "7h35m5s", "17h35m5s", "31h35m5s", "51h35m5s", "75h35m5s"}, at)
		assert.Len(t, ids, 1)
		assert.Equal(t, []string{"ossa-1 01 webhook 2", "ossa-1 02 webhook 2"}, f.fates)
	})
}

// TestADownReceiverHoldsEverything: while nobody is reached, one message is
// tried, and the others wait for it.
func TestADownReceiverHoldsEverything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		for i := range 5 {
			f.raise(fmt.Sprintf("ossa-%d", i), time.Now(), byte(i))
		}
		c := newFar("webhook", func(n int) error {
			if n < 3 {
				return &notify.DownError{Cause: errors.New("connection refused")}
			}
			return nil
		})
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) { time.Sleep(10 * time.Hour) })
		assert.Len(t, c.sent, 3+5, "%v", c.sent)
		assert.Len(t, f.fates, 5)
	})
}

func TestTheReceiversPauseIsHonoured(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		f.raise("ossa-1", time.Now(), 1)
		c := newFar("webhook", func(n int) error {
			if n == 0 {
				return &notify.DownError{After: 3 * time.Hour, Cause: errors.New("slow down")}
			}
			return nil
		})
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) { time.Sleep(5 * time.Hour) })
		require.Len(t, c.sent, 2)
		assert.Contains(t, c.sent[1], "3h0m0s")
	})
}

func TestGoneSwitchesTheChannelOffAndLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		f.raise("ossa-1", time.Now(), 1)
		c, log := newFar("webhook", func(int) error { return notify.ErrGone }), newFar("log", nil)
		run(t, f, []notify.Channel{c, log}, func(b *notify.Outbox) {
			time.Sleep(time.Hour)
			f.raise("ossa-1", time.Now(), 2)
			time.Sleep(100 * time.Hour)
			s := b.Stats()["webhook"]
			assert.True(t, s.Gone)
			assert.Equal(t, 2, s.Pending)
		})
		assert.Len(t, c.sent, 1)
		assert.Len(t, log.sent, 2, "another channel goes on")
		back := newFar("webhook", nil)
		run(t, f, []notify.Channel{back}, func(*notify.Outbox) { time.Sleep(time.Minute) })
		require.Len(t, back.last, 1, "all older than a shift: one digest")
		assert.True(t, back.last[0].Digest)
		assert.Len(t, back.last[0].Notices, 2)
	})
}

// TestAFateThatCantBeJournalledIsSentAgain under the same id.
func TestAFateThatCantBeJournalledIsSentAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, c := newFleet(), newFar("log", nil)
		f.noFate = 2
		f.raise("ossa-1", time.Now(), 1)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) { time.Sleep(time.Hour) })
		require.Len(t, c.last, 3)
		assert.Equal(t, c.last[0].ID, c.last[2].ID)
		assert.Len(t, f.fates, 1)
	})
}

// TestWhatClosedMeanwhileIsNotSent, and one that waits for later isn't either.
func TestWhatClosedMeanwhileIsNotSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFleet()
		c := newFar("webhook", func(n int) error {
			if n == 0 {
				return errors.New("down")
			}
			return nil
		})
		f.raise("ossa-1", time.Now(), 1, 2)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) {
			f.closeNotice("ossa-1", 1)
			f.raise("ossa-2", time.Now(), 3)
			f.closeNotice("ossa-2", 3)
			time.Sleep(10 * time.Hour)
		})
		require.Len(t, c.last, 2)
		assert.Len(t, c.last[1].Notices, 1)
		assert.Equal(t, c.last[0].ID, c.last[1].ID, "the id stays on retry")
		assert.Len(t, f.fates, 1)
	})
}

// TestStatesThatCantBeReadAreReadAgain: nothing is taken for seen before.
func TestStatesThatCantBeReadAreReadAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, c := newFleet(), newFar("log", nil)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) {
			time.Sleep(time.Minute)
			f.mu.Lock()
			f.noView = 2
			f.mu.Unlock()
			f.raise("ossa-1", time.Now(), 9)
			time.Sleep(time.Minute)
		})
		assert.Len(t, c.sent, 1)
		assert.Zero(t, f.noView)
	})
}

func TestTwoChannelsOfOneNameAreRefused(t *testing.T) {
	_, err := notify.New(notify.Options{Machines: newFleet(), Channels: []notify.Channel{newFar("log", nil), newFar("log", nil)}})
	assert.ErrorContains(t, err, `two channels are called "log"`)
}

// TestManyNoticesSplit keeps messages small.
func TestManyNoticesSplit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f, c := newFleet(), newFar("log", nil)
		ids := make([]byte, 45)
		for i := range ids {
			ids[i] = byte(i)
		}
		f.raise("ossa-1", time.Now(), ids...)
		run(t, f, []notify.Channel{c}, func(*notify.Outbox) { time.Sleep(time.Minute) })
		sizes := []int{}
		for _, m := range c.last {
			sizes = append(sizes, len(m.Notices))
		}
		slices.SortFunc(sizes, func(a, b int) int { return cmp.Compare(b, a) })
		assert.Equal(t, []int{20, 20, 5}, sizes)
		assert.Len(t, f.fates, 45)
	})
}
