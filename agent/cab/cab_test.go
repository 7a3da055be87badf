package cab_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/cab"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type memory map[string][]byte

func (m memory) SaveState(name string, b []byte) error {
	m[name] = append([]byte(nil), b...)
	return nil
}
func (m memory) LoadState(name string) ([]byte, error) { return m[name], nil }

// spool is this box's own events.
type spool struct{ events []cab.Own }

func (s *spool) Epoch() [16]byte { return [16]byte{9} }
func (s *spool) Own(from uint64, fn func(cab.Own) error) error {
	for _, e := range s.events {
		if e.Seq >= from {
			if err := fn(e); err != nil {
				return err
			}
		}
	}
	return nil
}

const (
	minute = moment.Instant(60_000)
	// 2031-07-02T04:00:00Z, when the work day begins.
	morning = moment.Instant(1_940_731_200_000)
)

var chart = &maintenance.Chart{ID: "kind", Edition: 1,
	Meters: []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterBroadcast, Group: 65253, SPN: 247, Source: maintenance.AnySource, Resolution: 180 * hours.Second}},
	Points: []maintenance.PointDef{{ID: "shaft"}, {ID: "oil"}},
	Tasks: []maintenance.TaskDef{
		{ID: "shaft/grease", Point: "shaft", Do: "grease", Who: "operator", Limbs: []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "engine", Every: 10 * hours.Hour}}},
		{ID: "oil/change", Point: "oil", Do: "change", Who: "technician", Limbs: []maintenance.Limb{{Kind: maintenance.LimbMonths, Months: 1}}},
	}}

// office is the service's fold of the machine: greased at 95.00 h, the oil
// changed on 3 June, and read at 104.00 h this morning.
func office(t *testing.T) *maintenance.State {
	s := maintenance.New()
	day := date(2031, 7, 2)
	apply := func(name string, writer maintenance.Writer, at moment.Instant, body maintenance.Body) {
		e := &maintenance.Event{Key: maintenance.ServiceKey(name), Writer: writer, At: moment.At(at), Known: at, Body: body}
		require.NoError(t, maintenance.Admit(s, e).Err())
		maintenance.Apply(s, e, nil)
	}
	apply("c", maintenance.WriterService, morning, &maintenance.Commissioned{Machine: "lark", Zone: "Etc/UTC", TurnsAt: 240})
	apply("e", maintenance.WriterService, morning, &maintenance.EditionTaken{Chart: chart})
	apply("d", maintenance.WriterService, morning, &maintenance.DayTurned{Date: day, From: morning, Until: morning + 24*60*minute})
	apply("r", maintenance.WriterPerson, morning+minute, &maintenance.HandReading{Reading: maintenance.Reading{Meter: "engine", Shown: 104 * hours.Hour, Resolution: 180 * hours.Second, Origin: maintenance.OriginPerson}})
	apply("s1", maintenance.WriterPerson, morning+2*minute, &maintenance.ServiceDone{Tasks: []string{"shaft/grease"}, Date: day, Shown: []maintenance.MeterShown{{Meter: "engine", Shown: 95 * hours.Hour}}})
	apply("s2", maintenance.WriterPerson, morning+2*minute, &maintenance.ServiceDone{Tasks: []string{"oil/change"}, Date: date(2031, 6, 3), Shown: []maintenance.MeterShown{{Meter: "engine", Shown: 95 * hours.Hour}}})
	return s
}

func copyOf(s *maintenance.State, days ...maintenance.DayTurned) *pb.CabCopy {
	hash := chart.Hash()
	c := &pb.CabCopy{Revision: s.Revision, Rules: maintenance.RulesVersion, State: maintenance.AppendState(nil, s), Chart: maintenance.AppendChart(nil, chart), ChartHash: hash[:]}
	for _, d := range days {
		c.Days = append(c.Days, wire.DayToProto(&d))
	}
	return c
}

// read is this box's own reading of the engine's hours.
func read(seq uint64, after moment.Instant, shown hours.Millis) cab.Own {
	at := morning + after
	return cab.Own{Seq: seq, At: moment.At(at), Known: at, Body: &maintenance.Reading{Meter: "engine", Shown: shown, Resolution: 180 * hours.Second, Origin: maintenance.OriginBus}}
}

func date(y, m, d int) civil.Date {
	out, ok := civil.Of(y, m, d)
	if !ok {
		panic("no such date")
	}
	return out
}

type rig struct {
	kept  memory
	spool *spool
	rung  []string
}

func (r *rig) open(t *testing.T) *cab.Cab {
	c, err := cab.Open(cab.Options{Keeper: r.kept, Spool: r.spool, Ring: func(b cab.Bell) {
		name := b.Doubt
		if b.Task != nil {
			name = b.Task.ID
		}
		r.rung = append(r.rung, name)
	}})
	require.NoError(t, err)
	return c
}

func (r *rig) add(t *testing.T, c *cab.Cab, o cab.Own) bool {
	r.spool.events = append(r.spool.events, o)
	changed, err := c.Applied([]cab.Own{o})
	require.NoError(t, err)
	return changed
}

func state(c *cab.Cab, task string) (out maintenance.DueState) {
	c.View(func(s *maintenance.State) {
		for _, k := range s.Tasks {
			if k.ID == task {
				out = k.State
			}
		}
	})
	return out
}

func TestTheCabRingsOnceWithNoSignal(t *testing.T) {
	r := &rig{kept: memory{}, spool: &spool{}}
	c := r.open(t)
	require.NoError(t, c.Take(copyOf(office(t))))
	require.Empty(t, r.rung, "soon is shown, not rung")
	require.Equal(t, maintenance.DueSoon, state(c, "shaft/grease"))

	require.False(t, r.add(t, c, read(1, 30*minute, 104*hours.Hour+30*hours.Minute)))
	require.True(t, r.add(t, c, read(2, 62*minute, 105*hours.Hour)), "a due state is worth sending at once")
	require.Equal(t, []string{"shaft/grease"}, r.rung)
	require.Equal(t, maintenance.Due, state(c, "shaft/grease"))
	r.add(t, c, read(3, 63*minute, 105*hours.Hour))
	require.Len(t, r.rung, 1)

	// The box starts again, and then hears from the service once more.
	c = r.open(t)
	require.Equal(t, maintenance.Due, state(c, "shaft/grease"), "the copy and the own spool together")
	require.NoError(t, c.Take(copyOf(office(t))))
	require.Equal(t, maintenance.Due, state(c, "shaft/grease"))
	require.Len(t, r.rung, 1, "not again after a restart, nor after a copy")
}

func TestLaterRingsAgainInTheCabOnce(t *testing.T) {
	r := &rig{kept: memory{}, spool: &spool{}}
	c := r.open(t)
	require.NoError(t, c.Take(copyOf(office(t))))
	r.add(t, c, read(1, 62*minute, 105*hours.Hour))
	require.Equal(t, []string{"shaft/grease"}, r.rung)

	// The office hears of it, someone says later, half a running hour.
	s := office(t)
	mine := read(1, 62*minute, 105*hours.Hour)
	maintenance.Apply(s, &maintenance.Event{Key: maintenance.Key{Stream: r.spool.Epoch(), Seq: 1}, Writer: maintenance.WriterAgent, At: mine.At, Known: mine.Known, Body: mine.Body}, nil)
	due := s.Notices[len(s.Notices)-1].ID
	later := &maintenance.Event{Key: maintenance.ServiceKey("later"), Writer: maintenance.WriterPerson, At: moment.At(morning + 63*minute), Known: morning + 63*minute,
		Body: &maintenance.NoticeAnswer{Notice: due, Word: maintenance.NoticeLater, Later: 30 * hours.Minute}}
	require.NoError(t, maintenance.Admit(s, later).Err())
	maintenance.Apply(s, later, nil)
	require.NoError(t, c.Take(copyOf(s)))
	r.add(t, c, read(2, 80*minute, 105*hours.Hour+15*hours.Minute))
	require.Len(t, r.rung, 1, "not yet")
	r.add(t, c, read(3, 95*minute, 105*hours.Hour+33*hours.Minute))
	require.Len(t, r.rung, 2, "later is over")
	r.add(t, c, read(4, 98*minute, 105*hours.Hour+36*hours.Minute))
	c = r.open(t)
	require.NoError(t, c.Take(copyOf(s)))
	require.Len(t, r.rung, 2, "once")
}

func TestTheWorkDayTurnsInTheCab(t *testing.T) {
	r := &rig{kept: memory{}, spool: &spool{}}
	c := r.open(t)
	next := maintenance.DayTurned{Date: date(2031, 7, 3), From: morning + 24*60*minute, Until: morning + 48*60*minute}
	require.NoError(t, c.Take(copyOf(office(t), next)))
	require.NotEqual(t, maintenance.Due, state(c, "oil/change"), "one month from 3 June is 3 July")
	c.Pass(next.From)
	require.Equal(t, maintenance.Due, state(c, "oil/change"))
	require.Equal(t, []string{"oil/change"}, r.rung)
}

func TestACopyOfNewerRulesIsRefusedAndTheOldOneStays(t *testing.T) {
	r := &rig{kept: memory{}, spool: &spool{}}
	c := r.open(t)
	require.NoError(t, c.Take(copyOf(office(t))))
	newer := copyOf(office(t))
	newer.Rules = maintenance.RulesVersion + 1
	require.ErrorIs(t, c.Take(newer), cab.ErrRules)
	broken := copyOf(office(t))
	broken.State = broken.State[:len(broken.State)/2]
	require.Error(t, c.Take(broken))
	require.Equal(t, maintenance.DueSoon, state(c, "shaft/grease"))
	revision, hash := c.Copy()
	require.NotZero(t, revision)
	require.Equal(t, chart.Hash(), hash)
}

func TestAChartIsBroughtOnce(t *testing.T) {
	r := &rig{kept: memory{}, spool: &spool{}}
	c := r.open(t)
	first := copyOf(office(t))
	bare := copyOf(office(t))
	bare.Chart = nil
	require.ErrorContains(t, c.Take(bare), "revision", "there is no chart to go by yet")
	require.NoError(t, c.Take(first))
	bare.Chart = nil
	require.NoError(t, c.Take(bare))
	require.Equal(t, "kind", c.Chart().ID)
	c = r.open(t)
	require.Equal(t, "kind", c.Chart().ID, "the chart is kept with the copy")
}

func TestDamagedMemoryWaitsForANewCopy(t *testing.T) {
	r := &rig{kept: memory{}, spool: &spool{}}
	require.NoError(t, r.open(t).Take(copyOf(office(t))))
	kept := r.kept["cab-copy"]
	for i := range kept {
		if i > len(kept)/3 {
			kept[i] ^= 0x55
		}
	}
	c := r.open(t)
	require.Nil(t, c.Chart())
	require.NoError(t, c.Take(copyOf(office(t))))
	require.NotNil(t, c.Chart())
}
