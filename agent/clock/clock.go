// Package clock is the agent's sense of time.
//
// A box without a battery-backed clock starts in the past, and one with a wrong
// clock anywhere. So the agent counts monotonic milliseconds from its own start
// (a boot, numbered) and sets them against the service's time at each connect.
// What is written before that carries its boot and its monotonic time, and is
// placed later: exactly, once the same boot has been set; else between what is
// known of the boots before and after.
package clock

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// maxBoots bounds the boots remembered. A boot that was forgotten is placed by
// its neighbours.
const maxBoots = 64

// Keeper keeps the clock's memory over a restart. The name is the clock's own.
type Keeper interface {
	SaveState(name string, b []byte) error
	LoadState(name string) ([]byte, error)
}

const stateName = "clock"

// boot is one run of the agent.
type boot struct {
	Number uint32 `json:"number"`
	// Floor: the boot began no earlier (last good time or build time).
	Floor moment.Instant `json:"floor"`
	// Reached is monotonic time that the boot surely reached.
	Reached int64 `json:"reached"`
	// Offset is the boot's start, once it was set; 0 before.
	Offset moment.Instant `json:"offset,omitempty"`
}

type memory struct {
	LastGood moment.Instant `json:"last_good"`
	Boots    []boot         `json:"boots"`
}

// Options says what a clock stands on.
type Options struct {
	Keeper Keeper
	// Now is the box's own clock; it may be wrong by years.
	Now func() time.Time
	// Mono is time since some fixed point of this run, never backwards.
	Mono func() time.Duration
	// Built is when this program was built: no time before it is believed.
	Built time.Time
}

// Clock is safe for concurrent use.
type Clock struct {
	opts  Options
	start time.Duration

	mu  sync.Mutex
	mem memory
}

// Open begins a new boot.
func Open(opts Options) (*Clock, error) {
	c := &Clock{opts: opts, start: opts.Mono()}
	b, err := opts.Keeper.LoadState(stateName)
	if err != nil {
		return nil, fmt.Errorf("read the clock's memory: %w", err)
	}
	if len(b) > 0 {
		if err := json.Unmarshal(b, &c.mem); err != nil {
			return nil, fmt.Errorf("read the clock's memory: %w: remove it to begin with the build's time", err)
		}
	}
	c.mem.LastGood = max(c.mem.LastGood, moment.Instant(opts.Built.UnixMilli()))
	next := boot{Number: 1, Floor: c.mem.LastGood}
	if n := len(c.mem.Boots); n > 0 {
		next.Number = c.mem.Boots[n-1].Number + 1
	}
	c.mem.Boots = append(c.mem.Boots, next)
	if over := len(c.mem.Boots) - maxBoots; over > 0 {
		c.mem.Boots = slices.Delete(c.mem.Boots, 0, over)
	}
	return c, c.save()
}

// Boot is this run's number, from 1.
func (c *Clock) Boot() uint32 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.current().Number
}

// Mono is milliseconds since this boot began.
func (c *Clock) Mono() int64 { return (c.opts.Mono() - c.start).Milliseconds() }

// Now is the time, as the service tells it; false where it has not been set
// since this boot began.
func (c *Clock) Now() (moment.Instant, bool) {
	mono := c.Mono()
	c.mu.Lock()
	defer c.mu.Unlock()
	if off := c.current().Offset; off != 0 {
		return off + moment.Instant(mono), true
	}
	return 0, false
}

// At is the time of a monotonic moment of this boot, as Now tells it.
func (c *Clock) At(mono int64) (moment.Instant, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if off := c.current().Offset; off != 0 {
		return off + moment.Instant(mono), true
	}
	return 0, false
}

// Best is the latest of the box's clock, the last good time and the build's
// time, or the set time. It is for judging certificates, nothing else.
func (c *Clock) Best() time.Time {
	if t, ok := c.Now(); ok {
		return time.UnixMilli(int64(t))
	}
	c.mu.Lock()
	good := time.UnixMilli(int64(c.mem.LastGood))
	c.mu.Unlock()
	if now := c.opts.Now(); now.After(good) {
		return now
	}
	return good
}

// maxRoundTrip is the longest answer that the clock is set by.
const maxRoundTrip = 30_000

// step is how far an answer must differ from the set time to move it.
const step = moment.Instant(2_000)

// ErrSlow says that an answer came too late to set the clock by.
var ErrSlow = errors.New("the answer took too long to set the clock by")

// Set sets this boot against the service's time: sent is the monotonic moment
// at which it was asked. The answer is taken to have been given half-way.
func (c *Clock) Set(service moment.Instant, sent int64) error {
	back := c.Mono()
	if back-sent < 0 || back-sent > maxRoundTrip {
		return fmt.Errorf("set the clock: %w: %d ms", ErrSlow, back-sent)
	}
	offset := service - moment.Instant(sent+(back-sent)/2)
	c.mu.Lock()
	defer c.mu.Unlock()
	cur := c.current()
	// Small differences are the link's: moving with each would make times jitter.
	if d := offset - cur.Offset; cur.Offset != 0 && d < step && d > -step {
		c.mem.LastGood = max(c.mem.LastGood, service)
		return nil
	}
	cur.Offset = offset
	cur.Reached = back
	c.mem.LastGood = max(c.mem.LastGood, service)
	return c.save()
}

// Tick remembers how far this boot has come. Called once a minute or so.
func (c *Clock) Tick() error {
	mono := c.Mono()
	c.mu.Lock()
	defer c.mu.Unlock()
	cur := c.current()
	cur.Reached = mono
	if cur.Offset != 0 {
		c.mem.LastGood = max(c.mem.LastGood, cur.Offset+moment.Instant(mono))
	}
	return c.save()
}

// Place says between which instants a boot began: both the same where it was
// set. False where nothing is known of the boot.
func (c *Clock) Place(number uint32) (earliest, latest moment.Instant, ok bool) {
	mono := c.Mono()
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.IndexFunc(c.mem.Boots, func(b boot) bool { return b.Number == number })
	if i < 0 {
		return 0, 0, false
	}
	b := c.mem.Boots[i]
	if b.Offset != 0 {
		return b.Offset, b.Offset, true
	}
	for _, later := range c.mem.Boots[i+1:] {
		if later.Offset != 0 {
			return b.Floor, max(b.Floor, later.Offset-moment.Instant(b.Reached)), true
		}
	}
	// No boot since has been set: it ended before now, as far as that is known.
	return b.Floor, max(b.Floor, moment.Instant(c.opts.Now().UnixMilli()-mono)), true
}

func (c *Clock) current() *boot { return &c.mem.Boots[len(c.mem.Boots)-1] }

func (c *Clock) save() error {
	b, err := json.Marshal(c.mem)
	if err != nil {
		return fmt.Errorf("write the clock's memory: %w", err)
	}
	if err := c.opts.Keeper.SaveState(stateName, b); err != nil {
		return fmt.Errorf("write the clock's memory: %w", err)
	}
	return nil
}
