package live_test

import (
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/hourbell/hourbell/service/live"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func publish(h *live.Hub, machine string, revision uint64, others bool) {
	h.Topic(machine).Publish(live.Change{Machine: machine, Revision: revision, Others: others})
}

func heard(s *live.Subscription) (out []uint64) {
	for {
		select {
		case c, open := <-s.C:
			if !open {
				return out
			}
			out = append(out, c.Revision)
		default:
			return out
		}
	}
}

func TestFilters(t *testing.T) {
	h := live.NewHub()
	all := h.Subscribe(live.Filter{})
	one := h.Subscribe(live.Filter{Machines: []string{"oats"}})
	none := h.Subscribe(live.Filter{Machines: []string{}})
	others := h.Subscribe(live.Filter{Machines: []string{"oats", "barley"}, Others: true})
	granted := h.Subscribe(live.Filter{Match: func(m string) bool { return m == "barley" }})
	publish(h, "oats", 1, false)
	publish(h, "barley", 2, true)
	publish(h, "oats", 3, true)
	assert.Equal(t, []uint64{1, 2, 3}, heard(all))
	assert.Equal(t, []uint64{1, 3}, heard(one))
	assert.Empty(t, heard(none))
	assert.Equal(t, []uint64{2, 3}, heard(others))
	assert.Equal(t, []uint64{2}, heard(granted))
	assert.Equal(t, 5, h.Subscriptions())
}

func TestSlowReaderLosesAndIsTold(t *testing.T) {
	h := live.NewHub()
	s := h.Subscribe(live.Filter{Buffer: 2})
	for r := range uint64(5) {
		publish(h, "oats", r+1, false)
	}
	assert.EqualValues(t, 3, s.Lost())
	assert.Equal(t, []uint64{1, 2}, heard(s))
	publish(h, "oats", 6, false)
	c := <-s.C
	assert.EqualValues(t, 6, c.Revision)
	assert.EqualValues(t, 3, c.Lost, "the change after the hole says how wide it is")
}

func TestWanted(t *testing.T) {
	h := live.NewHub()
	oats := h.Topic("oats")
	require.False(t, oats.Wanted(true))
	s := h.Subscribe(live.Filter{Machines: []string{"oats"}, Others: true})
	assert.False(t, oats.Wanted(false))
	assert.True(t, oats.Wanted(true))
	assert.False(t, h.Topic("barley").Wanted(true))
	s.Close()
	s.Close()
	assert.False(t, oats.Wanted(true))
	all := h.Subscribe(live.Filter{})
	assert.True(t, oats.Wanted(false))
	all.Close()
	assert.False(t, oats.Wanted(false))
}

func TestWatched(t *testing.T) {
	h := live.NewHub()
	var said []bool
	stop := h.OnWatched("oats", func(w bool) { said = append(said, w) })
	quiet := h.Subscribe(live.Filter{Machines: []string{"oats"}})
	page := h.Subscribe(live.Filter{Machines: []string{"oats"}, Watching: true})
	board := h.Subscribe(live.Filter{Watching: true})
	other := h.Subscribe(live.Filter{Machines: []string{"barley"}, Watching: true})
	assert.True(t, h.Watched("oats"))
	page.Close()
	assert.True(t, h.Watched("oats"), "the board still looks on")
	board.Close()
	quiet.Close()
	other.Close()
	assert.False(t, h.Watched("oats"))
	assert.Equal(t, []bool{false, true, false}, said)
	stop()
	defer h.Subscribe(live.Filter{Watching: true}).Close()
	assert.Equal(t, []bool{false, true, false}, said)
}

func TestCloseEndsReaders(t *testing.T) {
	h := live.NewHub()
	s := h.Subscribe(live.Filter{})
	h.Close()
	_, open := <-s.C
	assert.False(t, open)
	late := h.Subscribe(live.Filter{})
	_, open = <-late.C
	assert.False(t, open)
	publish(h, "oats", 1, false)
	s.Close()
}

func TestTogether(t *testing.T) {
	h := live.NewHub()
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for r := range uint64(500) {
				publish(h, "oats", r, r%2 == 0)
			}
		})
		wg.Go(func() {
			for range 200 {
				s := h.Subscribe(live.Filter{Machines: []string{"oats"}, Watching: true, Buffer: 1})
				heard(s)
				s.Close()
			}
		})
		wg.Go(func() {
			for range 200 {
				h.OnWatched("oats", func(bool) {})()
			}
		})
	}
	wg.Wait()
	assert.Zero(t, h.Subscriptions())
	assert.False(t, h.Watched("oats"))
}
