package j1939_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"github.com/hourbell/hourbell/internal/j1939"
)

// bench drives a bus by hand and writes down what its tracker says.
type bench struct {
	t   testing.TB
	bus *j1939.Bus
	got []string

	restarts bool // the bus is restored from its own state before every message and tick
}

func newBench(t testing.TB, opt j1939.Options) *bench {
	return &bench{t: t, bus: newBus(t, opt)}
}

func (b *bench) note(r *j1939.Report) *j1939.Report {
	for _, e := range r.Events {
		text := fmt.Sprintf("%v %d/%d at %d found %d", e.Kind, e.Key.SPN, e.Key.FMI, e.At/ms, e.Found/ms)
		if e.Again {
			text += " again"
		}
		if e.Silence {
			text += " by silence"
		}
		b.got = append(b.got, text)
	}
	return r
}

func (b *bench) frame(at int64, text string) *j1939.Report {
	f, err := j1939.ParseFrame(text)
	require.NoError(b.t, err)
	b.renew()
	return b.note(b.bus.Push(at*ms, f.ID, f.Payload()))
}

func (b *bench) tick(at int64) {
	b.renew()
	b.note(b.bus.Tick(at * ms))
}

// codes sends one whole message of active codes from a source: by one frame, or by transport within 0 ms.
func (b *bench) codes(at int64, source j1939.Address, list ...j1939.Code) {
	frames, err := j1939.AppendBroadcast(nil, 6, j1939.GroupActiveCodes, source, j1939.AppendCodes(nil, j1939.Lamps{}, list))
	require.NoError(b.t, err)
	b.renew()
	for _, f := range frames {
		b.note(b.bus.Push(at*ms, f.ID, f.Payload()))
	}
}

// other sends something else from a source.
func (b *bench) other(at int64, source j1939.Address) {
	b.frame(at, fmt.Sprintf("18FEF1%02X#FFFFFFFFFFFFFFFF", uint8(source)))
}

func (b *bench) claim(at int64, source j1939.Address, name j1939.Name) {
	raw := name.Bytes()
	b.frame(at, fmt.Sprintf("18EEFF%02X#%X", uint8(source), raw[:]))
}

var (
	c1 = j1939.Code{SPN: 100, FMI: 1, Count: 1}
	c2 = j1939.Code{SPN: 110, FMI: 0, Count: 2}
)

func TestTrackerRules(t *testing.T) {
	tests := map[string]struct {
		play func(b *bench)
		want []string
	}{
		"one message starts nothing yet": {func(b *bench) { b.codes(1000, 0, c1); b.tick(2999) }, nil},
		"the second message starts it at the first": {
			func(b *bench) { b.codes(1000, 0, c1); b.codes(2000, 0, c1); b.codes(3000, 0, c1) },
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"two seconds start it too": {
			func(b *bench) { b.codes(1000, 0, c1); b.tick(3000) },
			[]string{"started 100/1 at 1000 found 3000"},
		},
		"a flicker at key-on starts nothing": {
			func(b *bench) { b.codes(1000, 0, c1); b.codes(2000, 0); b.codes(3000, 0); b.tick(20_000) },
			nil,
		},
		"a flicker that comes back counts from its coming back": {
			func(b *bench) { b.codes(1000, 0, c1); b.codes(1500, 0); b.codes(2000, 0, c1); b.codes(2500, 0, c1) },
			[]string{"started 100/1 at 2000 found 2500"},
		},
		"a message without it ends it, at that message's time": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.codes(3000, 0)
				b.codes(4000, 0)
				b.codes(5000, 0)
				b.tick(5999)
				b.got = append(b.got, "-")
				b.tick(6000)
			},
			[]string{"started 100/1 at 1000 found 2000", "-", "ended 100/1 at 3000 found 6000"},
		},
		"away for less than three seconds is not ended": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.codes(3000, 0)
				b.codes(4000, 0)
				b.codes(5999, 0, c1)
				b.codes(7000, 0, c1)
				b.tick(8000)
			},
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"back after three seconds is a new start": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.codes(3000, 0)
				b.codes(6000, 0, c1)
				b.codes(7000, 0, c1)
			},
			[]string{"started 100/1 at 1000 found 2000", "ended 100/1 at 3000 found 6000", "started 100/1 at 6000 found 7000"},
		},
		"one of two ends": {
			func(b *bench) {
				b.codes(1000, 0, c1, c2)
				b.codes(2000, 0, c1, c2)
				for at := int64(3000); at <= 9000; at += 1000 {
					b.codes(at, 0, c2)
				}
			},
			[]string{"started 100/1 at 1000 found 2000", "started 110/0 at 1000 found 2000", "ended 100/1 at 3000 found 6000"},
		},
		"the same code of two sources is two codes": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(1500, 3, c1)
				b.codes(2000, 0, c1)
				b.codes(2500, 3, c1)
				b.codes(3000, 0)
				b.codes(3500, 3, c1)
				b.codes(6500, 3, c1)
			},
			[]string{"started 100/1 at 1000 found 2000", "started 100/1 at 1500 found 2500", "ended 100/1 at 3000 found 6500"},
		},
		"silent on codes but heard: ended at the last message after five seconds": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				for at := int64(2100); at < 8000; at += 700 {
					b.other(at, 0)
				}
			},
			[]string{"started 100/1 at 1000 found 2000", "ended 100/1 at 2000 found 7000 by silence"},
		},
		"heard until just before five seconds: not ended": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.other(6999, 0)
				b.codes(7000, 0, c1)
				b.other(8000, 0)
			},
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"seen once, then silent on codes": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				for at := int64(1500); at < 8000; at += 500 {
					b.other(at, 0)
				}
			},
			[]string{"started 100/1 at 1000 found 3000", "ended 100/1 at 1000 found 6000 by silence"},
		},
		"whole source silent while others are heard: unknown since it was last heard": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.other(2500, 0)
				for at := int64(3000); at < 9000; at += 500 {
					b.other(at, 3)
				}
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2500 found 7500"},
		},
		"bus silent: unknown, found by time alone": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.tick(6999)
				b.got = append(b.got, "-")
				b.tick(7000)
				b.tick(3_600_000)
			},
			[]string{"started 100/1 at 1000 found 2000", "-", "unknown since 100/1 at 2000 found 7000"},
		},
		"bus silent and nobody ticks: found at the next frame, not taken for silence on codes": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.other(3_600_000, 0)
				b.other(3_601_000, 0)
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 3600000"},
		},
		"on again at the next key-on": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.tick(10_000)
				b.codes(3_600_000, 0, c1)
				b.codes(3_601_000, 0, c1)
				b.codes(3_602_000, 0, c1)
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 10000", "started 100/1 at 3600000 found 3601000 again"},
		},
		"gone at the next key-on, by message": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.tick(10_000)
				b.codes(3_600_000, 0)
				b.codes(3_601_000, 0)
				b.codes(3_603_000, 0)
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 10000", "ended 100/1 at 3600000 found 3603000"},
		},
		"gone at the next key-on, by silence on codes": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.tick(10_000)
				for at := int64(3_600_000); at <= 3_606_000; at += 1000 {
					b.other(at, 0)
				}
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 10000", "ended 100/1 at 3600000 found 3605000 by silence"},
		},
		"a flicker at key-on does not bring it back": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.tick(10_000)
				b.codes(3_600_000, 0, c1)
				b.codes(3_601_000, 0)
				b.codes(3_604_000, 0)
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 10000", "ended 100/1 at 3601000 found 3604000"},
		},
		"a flicker at key-on, then really on: on from the second sight": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.tick(10_000)
				b.codes(3_600_000, 0, c1)
				b.codes(3_600_500, 0)
				b.codes(3_601_000, 0, c1)
				b.got = append(b.got, "-")
				b.codes(3_601_500, 0, c1)
			},
			[]string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 10000", "-", "started 100/1 at 3601000 found 3601500 again"},
		},
		"key off while away: ended all the same": {
			func(b *bench) { b.codes(1000, 0, c1); b.codes(2000, 0, c1); b.codes(3000, 0); b.tick(60_000) },
			[]string{"started 100/1 at 1000 found 2000", "ended 100/1 at 3000 found 60000"},
		},
		"a broken transfer neither starts nor ends, nor does it count as silence on codes": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				for at := int64(3000); at <= 12_000; at += 1000 {
					b.frame(at, "1CECFF00#200A0002FFCAFE00")
					b.frame(at+100, "1CEBFF00#0204FF6400010100")
					b.other(at+200, 0)
				}
			},
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"a transfer that runs out proves nothing": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				b.frame(2500, "1CECFF00#200A0002FFCAFE00")
				b.frame(2600, "1CEBFF00#0104FF6E00000101")
				b.codes(4000, 0, c1)
				b.other(5000, 0)
				b.tick(6000)
			},
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"a long transfer of codes is no silence on codes": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				var list []j1939.Code
				for i := range uint32(60) {
					list = append(list, j1939.Code{SPN: 1000 + i})
				}
				frames, err := j1939.AppendBroadcast(nil, 6, j1939.GroupActiveCodes, 0, j1939.AppendCodes(nil, j1939.Lamps{}, append(list, c1)))
				require.NoError(b.t, err)
				for i, f := range frames[:len(frames)-1] {
					b.note(b.bus.Push((2100+int64(i)*200)*ms, f.ID, f.Payload()))
				}
			},
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"a message too short to say anything ends nothing": {
			func(b *bench) {
				b.codes(1000, 0, c1)
				b.codes(2000, 0, c1)
				for at := int64(3000); at < 9000; at += 1000 {
					b.frame(at, "18FECA00#00FF")
				}
			},
			[]string{"started 100/1 at 1000 found 2000"},
		},
		"previously active codes start nothing": {
			func(b *bench) {
				for at := int64(1000); at < 5000; at += 1000 {
					b.frame(at, "18FECB00#00FF64000101FFFF")
				}
			},
			nil,
		},
		"a code twice in one message counts once": {
			func(b *bench) { b.codes(1000, 0, c1, c1); b.tick(2000) },
			nil,
		},
		"a source without an address of its own is not followed": {
			func(b *bench) {
				b.codes(1000, 254, c1)
				b.codes(2000, 254, c1)
				b.codes(3000, 255, c1)
				b.codes(4000, 255, c1)
			},
			nil,
		},
		"a time that runs back waits for the latest": {
			func(b *bench) { b.codes(10_000, 0, c1); b.codes(9000, 0, c1); b.tick(1000) },
			[]string{"started 100/1 at 10000 found 10000"},
		},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			b := newBench(t, j1939.Options{})
			tt.play(b)
			assert.Equal(t, tt.want, b.got)

			// The same with a restart before every message: nothing starts or ends anew.
			restarted := newBench(t, j1939.Options{})
			restarted.restarts = true
			tt.play(restarted)
			assert.Equal(t, tt.want, restarted.got, "with restarts in between")
		})
	}
}

// renew restores the bus from its own state, as after a restart.
func (b *bench) renew() {
	if !b.restarts {
		return
	}
	state := b.bus.State()
	b.bus = newBus(b.t, j1939.Options{State: &state})
}

func TestEventTellsAll(t *testing.T) {
	b := newBench(t, j1939.Options{})
	b.frame(1000, "18FECA03#04FF64000105FFFF")
	r := b.frame(2000, "18FECA03#40FF64000106FFFF")
	require.Len(t, r.Events, 1)
	assert.Equal(t, j1939.CodeEvent{
		Kind: j1939.CodeStarted, Key: j1939.CodeKey{Address: 3, SPN: 100, FMI: 1}, Address: 3, At: 1000 * ms, Found: 2000 * ms,
		Lamps: r.Codes.Lamps, Count: 6, Raw: [4]byte{0x64, 0, 1, 6},
	}, r.Events[0])
	assert.Equal(t, "on", r.Events[0].Lamps.Malfunction.String())
	assert.False(t, r.Events[0].Key.Ambiguous())
}

// Two codes of an older packing that isn't known stay two, and their rising count makes no third.
func TestAmbiguousCodes(t *testing.T) {
	b := newBench(t, j1939.Options{})
	b.frame(1000, "1CECFF03#200A0002FFCAFE00")
	b.frame(1010, "1CEBFF03#0104FF000C81810C")
	b.frame(1020, "1CEBFF03#02008181FFFFFFFF")
	b.frame(2000, "1CECFF03#200A0002FFCAFE00")
	b.frame(2010, "1CEBFF03#0104FF000C81820C")
	r := b.frame(2020, "1CEBFF03#02008182FFFFFFFF")
	require.Len(t, r.Events, 2)
	assert.Equal(t, j1939.CodeKey{Address: 3, FMI: 1, Packed: 1<<24 | 0x810C00}, r.Events[0].Key)
	assert.Equal(t, j1939.CodeKey{Address: 3, FMI: 1, Packed: 1<<24 | 0x81000C}, r.Events[1].Key)
	assert.True(t, r.Events[0].Key.Ambiguous())
	assert.Equal(t, [4]byte{0, 0x0C, 0x81, 0x82}, r.Events[0].Raw)
	b.codes(3000, 3)
	b.codes(6000, 3)
	assert.Len(t, b.got, 4)
}

func TestTrackerIsBounded(t *testing.T) {
	b := newBench(t, j1939.Options{})
	var list []j1939.Code
	for i := range uint32(445) {
		list = append(list, j1939.Code{SPN: 1000 + i})
	}
	b.codes(1000, 0, list...)
	b.codes(2000, 0, list...)
	assert.Len(t, b.got, j1939.MaxTracked)
	assert.Equal(t, uint64(2*(445-j1939.MaxTracked)), b.bus.Stats().CodesNoRoom)
	assert.Len(t, b.bus.State().Codes, j1939.MaxTracked)
	b.tick(60_000)
	assert.Len(t, b.got, 2*j1939.MaxTracked)

	// Those out of sight make room for what is seen, the oldest first, and come back where there is room.
	b.codes(61_000, 3, c1, c2)
	b.codes(62_000, 3, c1, c2)
	assert.Equal(t, []string{"started 100/1 at 61000 found 62000", "started 110/0 at 61000 found 62000"}, b.got[2*j1939.MaxTracked:])
	assert.Equal(t, uint64(2), b.bus.Stats().Forgotten)
	assert.Len(t, b.bus.State().Codes, j1939.MaxTracked)
}

func TestOldestOutOfSightMakesRoom(t *testing.T) {
	b := newBench(t, j1939.Options{})
	var list []j1939.Code
	for i := range uint32(j1939.MaxTracked - 1) {
		list = append(list, j1939.Code{SPN: 1000 + i})
	}
	b.codes(500, 0, list[0])
	b.codes(1000, 7, c1)
	b.codes(2000, 7, c1)
	b.codes(2500, 0, list...)
	b.codes(3500, 0, list...)
	b.tick(60_000)
	b.codes(61_000, 3, c2)
	var spns []uint32
	for _, c := range b.bus.State().Codes {
		spns = append(spns, c.Key.SPN)
	}
	assert.Len(t, spns, j1939.MaxTracked)
	assert.Contains(t, spns, c2.SPN)
	assert.NotContains(t, spns, c1.SPN)
}

func TestNoRoomIsSaid(t *testing.T) {
	b := newBus(t, j1939.Options{})
	var list []j1939.Code
	for i := range uint32(300) {
		list = append(list, j1939.Code{SPN: 1000 + i})
	}
	frames, err := j1939.AppendBroadcast(nil, 6, j1939.GroupActiveCodes, 0, j1939.AppendCodes(nil, j1939.Lamps{}, list))
	require.NoError(t, err)
	noRoom := 0
	for _, f := range frames {
		noRoom += b.Push(0, f.ID, f.Payload()).NoRoom
	}
	assert.Equal(t, 300-j1939.MaxTracked, noRoom)
}

func TestKeyFollowsTheName(t *testing.T) {
	const a, z = j1939.Name(0xA00E810000000001), j1939.Name(0xA00E810000000002)
	keyOf := func(b *bench) j1939.CodeKey { return b.bus.State().Codes[0].Key }

	b := newBench(t, j1939.Options{})
	b.claim(500, 0x80, a)
	b.codes(1000, 0x80, c1)
	b.codes(2000, 0x80, c1)
	assert.Equal(t, j1939.CodeKey{Name: a, SPN: 100, FMI: 1}, keyOf(b))
	b.claim(2500, 0x81, a) // the same sender at another address
	b.codes(3000, 0x81, c1)
	assert.Equal(t, []j1939.SourceState{{Address: 0x81, Heard: 3000 * ms, Basis: 3000 * ms}}, b.bus.State().Sources)
	b.codes(4000, 0x81)
	b.codes(7000, 0x81)
	assert.Equal(t, []string{"started 100/1 at 1000 found 2000", "ended 100/1 at 4000 found 7000"}, b.got)

	b = newBench(t, j1939.Options{})
	b.codes(1000, 0x80, c1) // the name becomes known later: the key stays as it was
	b.codes(2000, 0x80, c1)
	b.claim(2500, 0x80, a)
	assert.Equal(t, j1939.CodeKey{Address: 0x80, SPN: 100, FMI: 1}, keyOf(b))
	assert.Equal(t, a, b.bus.State().Codes[0].Owner)
	b.claim(2600, 0x80, a-1) // a lower name takes the address: the code's owner is gone
	b.codes(3000, 0x80)
	b.codes(7000, 0x80)
	assert.Equal(t, []string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 2600"}, b.got)
	b.claim(8000, 0x90, a) // and is back elsewhere, still with its code
	b.codes(9000, 0x90, c1)
	b.codes(10_000, 0x90, c1)
	assert.Equal(t, "started 100/1 at 9000 found 10000 again", b.got[2])

	b = newBench(t, j1939.Options{})
	b.claim(500, 0x80, z)
	b.codes(1000, 0x80, c1)
	b.codes(2000, 0x80, c1)
	b.claim(2500, 254, z) // it can't claim any address
	assert.Equal(t, []string{"started 100/1 at 1000 found 2000", "unknown since 100/1 at 2000 found 2500"}, b.got)
}

func TestRestartDoesNotStartAnew(t *testing.T) {
	const name = j1939.Name(0xA00E810000000001)
	b := newBench(t, j1939.Options{})
	b.claim(500, 0x80, name)
	b.codes(1000, 0x80, c1)
	b.codes(2000, 0x80, c1)
	b.codes(2500, 0x80, c1, c2)
	state := b.bus.State()
	require.Len(t, state.Codes, 2)

	after := newBench(t, j1939.Options{State: &state}) // back within a second
	assert.Equal(t, name, after.bus.Name(0x80))
	after.codes(3500, 0x80, c1, c2)
	assert.Equal(t, []string{"started 110/0 at 2500 found 3500"}, after.got)
	assert.Equal(t, name, after.bus.State().Codes[0].Key.Name)

	late := newBench(t, j1939.Options{State: &state}) // back after an hour: it was not heard meanwhile
	late.codes(3_600_000, 0x80, c1, c2)
	late.codes(3_601_000, 0x80, c1, c2)
	assert.Equal(t, []string{
		"unknown since 100/1 at 2500 found 3600000",
		"started 110/0 at 2500 found 3600000",
		"unknown since 110/0 at 2500 found 3600000",
		"started 100/1 at 3600000 found 3601000 again",
		"started 110/0 at 3600000 found 3601000 again",
	}, late.got)
}

func TestStateIsValidated(t *testing.T) {
	b := newBench(t, j1939.Options{})
	b.codes(1000, 0, c1)
	good := b.bus.State()
	require.NoError(t, good.Validate())
	for name, spoil := range map[string]func(s *j1939.BusState){
		"at most 256":                   func(s *j1939.BusState) { s.Codes = make([]j1939.CodeState, 257) },
		"no such code":                  func(s *j1939.BusState) { s.Codes[0].Key.FMI = 32 },
		"no such phase":                 func(s *j1939.BusState) { s.Codes[0].Phase = 9 },
		"nothing is said of its source": func(s *j1939.BusState) { s.Codes[0].Address = 7 },
		"out of sight":                  func(s *j1939.BusState) { s.Codes[0].Address = 254 },
		"first seen":                    func(s *j1939.BusState) { s.Codes[0].First = j1939.NoTime },
		"source 0":                      func(s *j1939.BusState) { s.Sources = append(s.Sources, s.Sources[0]) },
		"no name":                       func(s *j1939.BusState) { s.Names = []j1939.NameState{{Address: 3}} },
	} {
		bad := b.bus.State()
		spoil(&bad)
		_, err := j1939.NewBus(j1939.Options{State: &bad})
		require.ErrorContains(t, err, name)
		require.ErrorContains(t, err, "remembered state of the bus")
	}
}

// oracle works the starts and ends of one code of one source out of the whole list of messages, looking back and forth
// in it: a source that sends once a second and is never silent.
func oracle(has []bool) (want []string) {
	on, start := false, 0
	for i := 0; i < len(has); i++ {
		switch {
		case !on && has[i] && i+1 < len(has) && has[i+1]:
			on, start = true, i
			want = append(want, fmt.Sprintf("started at %d", start*1000))
		case on && !has[i]:
			n := 0
			for i+n < len(has) && !has[i+n] {
				n++
			}
			if n > 3 || n == 3 && i+n < len(has) { // away for three seconds or more
				on = false
				want = append(want, fmt.Sprintf("ended at %d", i*1000))
			}
			i += n - 1
		}
	}
	return want
}

func TestTrackerAgainstOracle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		has := rapid.SliceOfN(rapid.Bool(), 1, 40).Draw(t, "has")
		cut := rapid.IntRange(0, len(has)).Draw(t, "restart")
		bus, err := j1939.NewBus(j1939.Options{})
		require.NoError(t, err)
		var got []string
		for i, on := range has {
			if i == cut {
				state := bus.State()
				bus, err = j1939.NewBus(j1939.Options{State: &state})
				require.NoError(t, err)
			}
			data := []byte{0, 0xFF, 0, 0, 0, 0, 0xFF, 0xFF}
			if on {
				data = []byte{0, 0xFF, 100, 0, 1, 1, 0xFF, 0xFF}
			}
			for _, e := range bus.Push(int64(i)*1000*ms, 0x18FECA00, data).Events {
				got = append(got, fmt.Sprintf("%v at %d", e.Kind, e.At/ms))
			}
		}
		require.Equal(t, oracle(has), got)
	})
}
