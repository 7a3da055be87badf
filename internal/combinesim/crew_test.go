package combinesim

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func play(t *testing.T, p Part) (Story, Truth) {
	t.Helper()
	for _, s := range Crew(testStart, 5) {
		if s.Part == p {
			m := build(t, s.Machine)
			m.Run(m.End(), func(Frame) {})
			return s, m.Truth()
		}
	}
	t.Fatalf("no story %d", p)
	return Story{}, Truth{}
}

// due is when a round's hours are reached, after the start of the shift.
func due(s Story, tr Truth, r Round) (time.Duration, bool) {
	at, ok := tr.EngineReaches(r.DueMS() - s.Machine.Meters.Engine)
	if r.On == "separator" {
		at, ok = tr.SeparatorReaches(r.DueMS() - s.Machine.Meters.Separator)
	}
	return at.Sub(testStart), ok
}

func TestCrew(t *testing.T) {
	crew := Crew(testStart.Add(123), 5)
	require.Len(t, crew, 7)
	ids, parts := map[string]bool{}, map[Part]bool{}
	vins, seeds := map[string]bool{}, map[uint64]bool{}
	for _, s := range crew {
		ids[s.ID], parts[s.Part] = true, true
		assert.NotEmpty(t, s.Happens)
		assert.Equal(t, s.Name, s.Machine.Name)
		assert.Equal(t, testStart, s.Machine.Start)
		for _, r := range s.Rounds {
			assert.Contains(t, []int64{10 * Hour, 50 * Hour, 100 * Hour}, r.EveryMS)
			assert.Zero(t, r.LastMS%MeterStep, "%s: %s: the meter shows whole steps", s.Name, r.Name)
		}
		if !s.HasBus() {
			assert.Equal(t, OtherName, s.Customer)
			continue
		}
		assert.Equal(t, CrewName, s.Customer)
		vins[s.Machine.Identity.VIN], seeds[s.Machine.Seed] = true, true
		assert.Len(t, s.Machine.Identity.VIN, 17)
		assert.NotRegexp(t, "[IOQ]", s.Machine.Identity.VIN, "letters that no VIN has")
		assert.Equal(t, ShiftLength, s.Machine.Program.Length(), s.Name)
	}
	assert.Len(t, ids, 7)
	assert.Len(t, parts, 7)
	assert.Len(t, vins, 6)
	assert.Len(t, seeds, 6)
	assert.NotEqual(t, crew[0].Machine.Seed, Crew(testStart, 6)[0].Machine.Seed)
}

// TestStories: each story's rounds come due when the story says.
func TestStories(t *testing.T) {
	type window struct{ from, to time.Duration }
	const h = time.Hour
	for part, want := range map[Part]map[string]window{
		Ordinary:     {"grease-10": {5 * h, 7 * h}},
		FanSlips:     {"grease-10": {4 * h, 6 * h}, "grease-100": {6 * h, 9 * h}},
		ComesAndGoes: {"grease-10": {4 * h, 7 * h}, "grease-50": {4 * h, 7 * h}},
		OutOfSignal:  {"grease-50": {5 * h, 7 * h}, "grease-10": {7 * h, 8 * h}},
		AgentKilled:  {"grease-10": {3*h + 5*time.Minute, 3*h + 20*time.Minute}, "grease-50": {6 * h, 9 * h}},
		NewMeter:     {"grease-10": {4 * h, 8 * h}, "grease-50": {4 * h, 8 * h}},
	} {
		s, truth := play(t, part)
		assert.InDelta(t, 9.8, time.Duration(truth.EngineRunMS()*1e6).Hours(), 1, s.Name)
		assert.Less(t, truth.Separator.MS(), truth.EngineRunMS(), s.Name)
		for _, r := range s.Rounds {
			at, ok := due(s, truth, r)
			w, wanted := want[r.Name]
			require.Equal(t, wanted, ok, "%s: %s at %v", s.Name, r.Name, at)
			if wanted {
				assert.True(t, at > w.from && at < w.to, "%s: %s due at %v", s.Name, r.Name, at)
			}
		}
	}
}

func TestFanStory(t *testing.T) {
	_, truth := play(t, FanSlips)
	require.Len(t, truth.Warnings, 1, "the alarm comes on once")
	assert.Equal(t, uint32(520417), truth.Warnings[0].SPN)
	alarm := truth.Warnings[0].FirstNS
	found := int64(0) // the first minute under load with a twentieth lost
	for _, m := range truth.Drives {
		if m.Drive == FanDrive && m.Loaded.Steps > 300 && m.Loaded.RatioPPM() < 880_000*95/100 {
			found = m.MinuteNS
			break
		}
	}
	require.NotZero(t, found)
	assert.Greater(t, time.Duration(alarm-found), 3*time.Hour, "hours before the alarm")
	assert.Greater(t, alarm, testStart.Add(7*time.Hour).UnixNano())
}

func TestWarningStory(t *testing.T) {
	s, truth := play(t, ComesAndGoes)
	starts := map[uint32]int{}
	for _, w := range truth.Warnings {
		starts[w.SPN]++
	}
	assert.GreaterOrEqual(t, starts[520431], 25)
	assert.GreaterOrEqual(t, starts[520446], 3)
	assert.Equal(t, 1, starts[110])
	assert.Len(t, truth.Plugs, 1)
	m := build(t, s.Machine)
	long := 0
	for _, w := range codeMessages(t, m.Append(nil, m.End())) {
		if len(codesIn(w)) > 1 {
			long++
		}
	}
	assert.Positive(t, long, "two codes at once need transport")
}

func TestMeterStory(t *testing.T) {
	_, truth := play(t, NewMeter)
	require.Len(t, truth.Lives, 2)
	for _, r := range truth.Running {
		assert.False(t, r.FromNS < truth.Lives[0].ToNS && truth.Lives[0].ToNS < r.ToNS, "replaced standing")
	}
	assert.Zero(t, truth.Lives[1].FirstRaw)
	assert.Greater(t, truth.Lives[1].LastRaw, uint32(100))
}

// TestSignalStory: the round comes due while there is no signal.
func TestSignalStory(t *testing.T) {
	s, truth := play(t, OutOfSignal)
	at, ok := due(s, truth, s.Rounds[1])
	require.True(t, ok)
	assert.True(t, at > s.NoSignalFrom && at < s.NoSignalTo)
	assert.Equal(t, 2*time.Hour, s.NoSignalTo-s.NoSignalFrom)
}

// TestKillStory: the agent dies while the machine is threshing.
func TestKillStory(t *testing.T) {
	s, _ := play(t, AgentKilled)
	require.NotEmpty(t, s.KillAgentAt)
	for _, at := range s.KillAgentAt {
		m := build(t, s.Machine)
		m.Run(testStart.Add(at), func(Frame) {})
		assert.Equal(t, Thresh, m.Doing())
	}
}

// TestHandStory: what is written down rises no faster than the clock.
func TestHandStory(t *testing.T) {
	s := Crew(testStart, 1)[6]
	require.Equal(t, ByHand, s.Part)
	require.Equal(t, s.Machine.Meters.Engine, s.Written[0].MS)
	for i, w := range s.Written[1:] {
		rise := time.Duration(w.MS-s.Written[i].MS) * time.Millisecond
		assert.True(t, rise > 0 && rise <= w.At-s.Written[i].At)
	}
	crossed := s.Rounds[0].DueMS()
	assert.True(t, crossed > s.Written[1].MS && crossed <= s.Written[2].MS)
}
