package demo

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/hourbell/hourbell/internal/combinesim"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// controls tampers with what is known, or with what the service says, of one
// machine at a time. The check must find each.
func controls(t *testing.T, crew []*known, said []*facts) {
	for i, k := range crew {
		require.Empty(t, check(k, said[i]))
	}
	for i, c := range []struct {
		machine string
		tamper  func(*known, *facts)
		finds   string
	}{
		{"oatgallop", func(k *known, _ *facts) { k.truth.EngineRaw++ }, "the engine's meter shows"},
		{"oatgallop", func(k *known, _ *facts) { k.truth.Running[0].ToNS += int64(4 * time.Minute) }, "the engine has"},
		{"oatgallop", func(k *known, _ *facts) { k.truth.SeparatorMS += 30_000 }, "the separator has"},
		{"oatgallop", func(k *known, _ *facts) { k.truth.SeparatorMS -= 30_000 }, "the separator has"},
		{"oatgallop", func(k *known, _ *facts) { k.truth.Separator.Spells[0].FromNS += int64(20 * time.Second) }, "the separator had"},
		{"oatgallop", func(_ *known, f *facts) { f.rebuilt.Same = false }, "not the same"},
		{"oatgallop", func(_ *known, f *facts) { f.machine.ListenedMs -= 60_000 }, "heard for"},
		{"oatgallop", func(k *known, _ *facts) { k.rounds[0].LastMS -= combinesim.MeterStep }, "is due at"},
		{"oatgallop", func(k *known, _ *facts) { k.rounds[0].LastMS -= combinesim.MeterStep }, "was due between"},
		{"oatgallop", func(_ *known, f *facts) { f.notices = f.notices[1:] }, "and 0 notices of it"},
		{"oatgallop", func(_ *known, f *facts) { f.notices = append(f.notices, f.notices[0]) }, "and 2 notices of it"},
		{"oatgallop", func(k *known, _ *facts) { k.rounds[0].lateMS *= 4 }, "nothing was to"},
		{"oatgallop", func(_ *known, f *facts) {
			later := moved(f.notices[4].RaisedMoment, 2*time.Minute)
			f.notices[4].RaisedMoment = later
		}, "the service says at"},
		{"oatgallop", func(_ *known, f *facts) { f.readings = append(f.readings, f.readings[400]) }, "is there twice"},
		{"oatgallop", func(_ *known, f *facts) { f.readings = slices.Delete(f.readings, 500, 504) }, "no reading of the engine from"},
		{"oatgallop", func(_ *known, f *facts) { bump(f, engine, combinesim.MeterStep) }, "the engine's meter showed"},
		{"oatgallop", func(_ *known, f *facts) { bump(f, engine, -combinesim.MeterStep) }, "the engine's meter showed"},
		{"oatgallop", func(_ *known, f *facts) { bump(f, separator, 30_000) }, "the separator had"},
		{"thistlejack", func(k *known, _ *facts) { k.truth.Warnings = nil }, "started 0 times"},
		{"thistlejack", func(k *known, _ *facts) { k.truth.Warnings[0].EndNS += int64(time.Second) }, "fan-slow ended at"},
		{"thistlejack", func(_ *known, f *facts) { f.counts[0].Starts++ }, "the service counts 2"},
		{"ploverwing", func(k *known, _ *facts) { k.truth.Warnings = k.truth.Warnings[1:] }, "tailings-full started 39 times"},
		{"ploverwing", func(k *known, _ *facts) { k.truth.Warnings[20].FirstNS += int64(time.Second) }, "started at"},
		{"ploverwing", func(_ *known, f *facts) { f.changes = f.changes[2:] }, "the service has 39 starts"},
		{"ploverwing", func(_ *known, f *facts) { f.changes[6].Code.Code = "gone-astray" }, "was never on its bus"},
		{"larkumber", comeEarly, "and there was no signal"},
		{"larkumber", loseDark, "nothing of the time without a signal"},
		{"noonhush", func(k *known, _ *facts) { k.dead = nil }, "no reading of the engine from"},
		{"dunmarrow", func(k *known, _ *facts) { k.truth.Lives = k.truth.Lives[:1] }, "its engine had 1 meter"},
		{"dunmarrow", func(_ *known, f *facts) { f.notices = slices.DeleteFunc(f.notices, aboutDoubt) }, "1 reading to be doubted"},
		{"dunmarrow", func(_ *known, f *facts) { f.notices[slices.IndexFunc(f.notices, aboutDoubt)].Closed = false }, "still doubted"},
		{"hobblechaff", func(_ *known, f *facts) { f.readings[1].ShownMs++ }, "4875.5 h written down"},
		{"hobblechaff", func(_ *known, f *facts) { f.readings = f.readings[1:] }, "3 readings written down"},
		{"hobblechaff", func(_ *known, f *facts) { f.meter(engine).TotalMs = nil }, "has no hours"},
	} {
		t.Run(fmt.Sprintf("%02d %s", i, c.machine), func(t *testing.T) {
			at := slices.IndexFunc(crew, func(k *known) bool { return k.story.ID == c.machine })
			k, f := crew[at].copy(), said[at].copy()
			c.tamper(k, f)
			found := check(k, f)
			assert.True(t, slices.ContainsFunc(found, func(d string) bool { return strings.Contains(d, c.finds) }), "%q is not among %q", c.finds, found)
		})
	}
}

func aboutDoubt(n *pb.Notice) bool { return n.Task == "" }

func moved(m *pb.Moment, by time.Duration) *pb.Moment { return moment(latest(m).Add(by)) }

// bump changes what one reading in the middle of the day shows.
func bump(f *facts, meter string, by int64) {
	for _, r := range f.readings[500:] {
		if r.Meter == meter {
			r.ShownMs += by
			return
		}
	}
}

// comeEarly lets a reading of the dark hours come in before the signal was back.
func comeEarly(k *known, f *facts) {
	for _, r := range f.readings {
		if at := latest(r.ReadMoment); k.dark(at) {
			r.KnownTime = timestamppb.New(at.Add(time.Second))
			return
		}
	}
}

// loseDark drops all readings of the dark hours.
func loseDark(k *known, f *facts) {
	f.readings = slices.DeleteFunc(f.readings, func(r *pb.MeterReading) bool { return k.dark(latest(r.ReadMoment)) })
}

func (k *known) copy() *known {
	c := *k
	c.dead, c.rounds = slices.Clone(k.dead), slices.Clone(k.rounds)
	c.truth.Running, c.truth.BusAlive = slices.Clone(k.truth.Running), slices.Clone(k.truth.BusAlive)
	c.truth.Separator.Spells = slices.Clone(k.truth.Separator.Spells)
	c.truth.Warnings, c.truth.Lives = slices.Clone(k.truth.Warnings), slices.Clone(k.truth.Lives)
	return &c
}

func (f *facts) copy() *facts {
	return &facts{machine: proto.CloneOf(f.machine), rebuilt: proto.CloneOf(f.rebuilt), readings: cloneAll(f.readings), changes: cloneAll(f.changes),
		counts: cloneAll(f.counts), notices: cloneAll(f.notices), tasks: cloneAll(f.tasks)}
}

func cloneAll[M proto.Message](in []M) []M {
	out := make([]M, len(in))
	for i := range in {
		out[i] = proto.CloneOf(in[i])
	}
	return out
}
