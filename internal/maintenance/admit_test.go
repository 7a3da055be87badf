package maintenance

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

func reading(shown string) *Reading {
	return &Reading{Meter: "engine", Shown: h(shown), Resolution: busStep, Origin: OriginBus}
}

func TestAdmitOrdersASpool(t *testing.T) {
	w := newWorld(t, heronChart())
	first := w.agent('a', moment.At(after("1")), reading("100.00"))
	second := w.agent('a', moment.At(after("1.1")), reading("100.05"))

	v := Admit(w.s, second)
	assert.Equal(t, VerdictGap, v.Word)
	assert.EqualValues(t, 1, v.Want, "an unknown spool starts at 1")
	require.ErrorContains(t, v.Err(), "send from number 1")
	w.apply(first)
	w.apply(second)
	before := w.s.Hash()

	assert.Equal(t, VerdictRepeat, Admit(w.s, first).Word)
	assert.Equal(t, VerdictRepeat, Admit(w.s, second).Word)
	other := *second
	other.Hash[5]++
	v = Admit(w.s, &other)
	assert.Equal(t, VerdictFork, v.Word)
	require.Error(t, v.Err())
	for _, e := range []*Event{first, second, &other} {
		assert.Equal(t, []EffectKind{EffectIgnored}, kinds(Apply(w.s, e, nil)))
	}
	assert.Equal(t, before, w.s.Hash(), "a repeat changes nothing at all")
	assert.Equal(t, []Epoch{{ID: box('a'), Next: 3, Hash: second.Hash}}, w.s.Epochs)
}

func TestThinnedStandsForARun(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	w.seq['a'] = 40
	thinned := w.agent('a', moment.At(after("3")), &Thinned{Events: 40}) // numbers 2 to 41
	ahead := *thinned
	ahead.Body = &Thinned{Events: 39}
	assert.Equal(t, VerdictGap, Admit(w.s, &ahead).Word)
	w.apply(thinned)
	assert.EqualValues(t, 42, w.s.Epochs[0].Next)
	assert.Equal(t, VerdictRepeat, Admit(w.s, thinned).Word)
	w.bus(after("4"), "102.00")
	assert.Equal(t, h("102.00"), w.meter("engine").Total)

	// The agent thinned events of which we had some already: the run covers Next.
	w.seq['a'] = 59
	w.apply(w.agent('a', moment.At(after("5")), &Thinned{Events: 30}))
	assert.EqualValues(t, 61, w.s.Epochs[0].Next)

	w.seq['a'] = 9
	bad := w.agent('b', moment.At(after("5")), &Thinned{Events: 2})
	bad.Key.Seq = 1
	assert.Equal(t, VerdictRefuse, Admit(w.s, bad).Word, "more events than there are numbers")
}

func TestSetAsideKeepsTheSpoolGoing(t *testing.T) {
	w := newWorld(t, heronChart())
	bad := w.agent('a', moment.At(after("1")), &Reading{Meter: "engine", Shown: -1, Resolution: busStep, Origin: OriginBus})
	v := Admit(w.s, bad)
	require.Equal(t, VerdictRefuse, v.Word)
	w.apply(&Event{Key: bad.Key, Hash: bad.Hash, Writer: WriterAgent, At: bad.At, Known: bad.Known, Body: &SetAside{Reason: v.Err().Error(), Bytes: []byte{1}}})
	assert.Equal(t, VerdictRepeat, Admit(w.s, bad).Word)
	w.bus(after("1.1"), "100.00")
	assert.Equal(t, h("100.00"), w.meter("engine").Total)
	assert.Empty(t, w.s.Doubts)

	// An act that was set aside is known by its key as well.
	act := w.person(after("2"), &Void{Record: Key{Seq: 9}})
	w.apply(&Event{Key: act.Key, Writer: WriterService, At: act.At, Known: act.Known, Body: &SetAside{Reason: "no such record"}})
	assert.Equal(t, VerdictRepeat, Admit(w.s, act).Word)
}

func TestApplyGoesOnBeyondAnEventLostOnDisk(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "100.00")
	w.agent('a', moment.At(after("1.5")), reading("100.50"))
	e := w.agent('a', moment.At(after("2")), reading("101.00"))
	require.Equal(t, VerdictGap, Admit(w.s, e).Word)
	before := w.s.Revision
	Apply(w.s, e, nil)
	assert.Equal(t, before+1, w.s.Revision)
	assert.Equal(t, h("101.00"), w.meter("engine").Total)
	w.bus(after("3"), "102.00")
	assert.Equal(t, h("102.00"), w.meter("engine").Total)
}

// Every body that the language does not allow is refused with a field, a reason
// and what to do, and changes nothing but revision and chain if it is applied.
func TestInvalidBodiesAreRefused(t *testing.T) {
	long := string(make([]byte, maxID+1))
	chart := func(change func(*Chart)) *EditionTaken {
		c := heronChart()
		c.Edition = 2
		change(c)
		return &EditionTaken{Chart: c}
	}
	for name, c := range map[string]struct {
		field string
		body  Body
	}{
		"negative hours":      {"shown", &Reading{Meter: "engine", Shown: -1, Resolution: 1, Origin: OriginBus}},
		"too many hours":      {"shown", &Reading{Meter: "engine", Shown: hours.Most + 1, Resolution: 1, Origin: OriginBus}},
		"resolution 0":        {"resolution", &Reading{Meter: "engine", Shown: 1, Origin: OriginBus}},
		"no origin":           {"origin", &Reading{Meter: "engine", Shown: 1, Resolution: 1}},
		"no meter":            {"meter", &Reading{Shown: 1, Resolution: 1, Origin: OriginBus}},
		"long meter":          {"meter", &Reading{Meter: long, Shown: 1, Resolution: 1, Origin: OriginBus}},
		"not UTF-8":           {"meter", &Reading{Meter: "\xff", Shown: 1, Resolution: 1, Origin: OriginBus}},
		"hand, negative":      {"shown", &HandReading{Reading: Reading{Meter: "engine", Shown: -1, Resolution: 1}}},
		"listened backwards":  {"from", &Listened{From: 5, To: 4}},
		"listened from none":  {"from", &Listened{To: 4}},
		"FMI 32":              {"fmi", &Warning{Code: Code{FMI: 32}, Phase: WarningStarted}},
		"SPN of 20 bits":      {"spn", &Warning{Code: Code{SPN: 524288}, Phase: WarningStarted}},
		"no phase":            {"phase", &Warning{}},
		"count of 8 bits":     {"occurrences", &Warning{Phase: WarningStarted, Occurrences: 128}},
		"raw, not ambiguous":  {"raw", &Warning{Code: Code{Raw: [4]byte{1}}, Phase: WarningStarted}},
		"ambiguous, numbered": {"code", &Warning{Code: Code{Ambiguous: true, SPN: 4}, Phase: WarningStarted}},
		"no drive":            {"drive", &DriveMinute{}},
		"value state":         {"state", &BusValues{Values: []BusValue{{Signal: "x"}}}},
		"too many values":     {"values", &BusValues{Values: make([]BusValue, ValuesKept+1)}},
		"too many claims":     {"claims", &BusNames{Claims: make([]BusName, 257)}},
		"no field event":      {"event", &FieldEvent{}},
		"done nothing":        {"tasks", &ServiceDone{}},
		"done, negative":      {"shown", &ServiceDone{Round: "fifty", Shown: []MeterShown{{"engine", -1}}}},
		"done, meter twice":   {"shown", &ServiceDone{Round: "fifty", Shown: []MeterShown{{"engine", 1}, {"engine", 1}}}},
		"done, no such date":  {"date", &ServiceDone{Round: "fifty", Date: civil.Last + 1}},
		"void nothing":        {"record", &Void{}},
		"no doubt word":       {"word", &DoubtAnswer{Doubt: Key{Seq: 1}}},
		"no notice word":      {"word", &NoticeAnswer{}},
		"later, negative":     {"later", &NoticeAnswer{Word: NoticeLater, Later: -1}},
		"mine with hours":     {"later", &NoticeAnswer{Word: NoticeMine, Later: 1}},
		"no fate":             {"word", &NoticeFate{Channel: "web"}},
		"no channel":          {"channel", &NoticeFate{Word: NoticeDelivered}},
		"no machine":          {"machine", &Commissioned{}},
		"turns at 24:00":      {"turns_at", &Commissioned{Machine: "x", TurnsAt: 1440}},
		"no chart":            {"chart", &EditionTaken{}},
		"task twice":          {"chart", chart(func(c *Chart) { c.Tasks = append(c.Tasks, c.Tasks[0]) })},
		"meter twice":         {"chart", chart(func(c *Chart) { c.Meters = append(c.Meters, c.Meters[0]) })},
		"unknown meter":       {"chart", chart(func(c *Chart) { c.Tasks[0].Limbs[0].Meter = "drum" })},
		"every 0 h":           {"chart", chart(func(c *Chart) { c.Tasks[0].Limbs[0].Every = 0 })},
		"soon below 0":        {"chart", chart(func(c *Chart) { c.Tasks[0].Limbs[0].Soon = -1 })},
		"1201 months":         {"chart", chart(func(c *Chart) { c.Tasks[2].Limbs[1].Months = 1201 })},
		"unknown limb":        {"chart", chart(func(c *Chart) { c.Tasks[0].Limbs[0].Kind = 9 })},
		"unknown round":       {"chart", chart(func(c *Chart) { c.Tasks[0].Round = "none" })},
		"no chart id":         {"chart", chart(func(c *Chart) { c.ID = "" })},
		"no trait":            {"name", &Trait{}},
		"no season":           {"season", &Season{}},
		"day without length":  {"from", &DayTurned{Date: 5, From: 9, Until: 9}},
		"no day":              {"date", &DayTurned{Date: civil.None, From: 1, Until: 9}},
		"no attachment":       {"attachment", &Attachment{}},
		"no finding":          {"finding", &Finding{}},
		"aside, too long":     {"bytes", &SetAside{Bytes: make([]byte, maxCut+1)}},
		"rules of tomorrow":   {"version", &RulesChanged{Version: RulesVersion + 1}},
		"rules 0":             {"version", &RulesChanged{}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorld(t, heronChart())
			w.bus(after("0.1"), "100.00")
			e := w.person(after("1"), c.body)
			v := Admit(w.s, e)
			require.Equal(t, VerdictRefuse, v.Word)
			assert.Equal(t, c.field, v.Field)
			assert.NotEmpty(t, v.Why)
			assert.NotEmpty(t, v.Do)
			require.Error(t, v.Err())
			want := w.s.Clone()
			fx := Apply(w.s, e, nil)
			require.Equal(t, []EffectKind{EffectIgnored}, kinds(fx))
			want.Revision, want.Chain, want.Acts = w.s.Revision, w.s.Chain, w.s.Acts
			require.Equal(t, AppendState(nil, want), AppendState(nil, w.s))
		})
	}
}

func TestInvalidEnvelopesAreRefused(t *testing.T) {
	w := newWorld(t, heronChart())
	for field, change := range map[string]func(*Event){
		"body":   func(e *Event) { e.Body = nil },
		"body ":  func(e *Event) { e.Body = (*Reading)(nil) },
		"key":    func(e *Event) { e.Key = Key{} },
		"key ":   func(e *Event) { e.Writer = WriterAgent },
		"key  ":  func(e *Event) { e.Writer, e.Key.Seq = WriterService, 1 },
		"writer": func(e *Event) { e.Writer = 0 },
		"writer ": func(e *Event) {
			e.Writer, e.Key.Seq, e.Body = WriterAgent, 1, &Commissioned{Machine: "other"}
		},
		"at":    func(e *Event) { e.At = moment.Span{NotBefore: 9, NotAfter: 8} },
		"known": func(e *Event) { e.Known = -1 },
	} {
		e := w.person(after("1"), &Trait{Name: "a", Value: "b"})
		require.Equal(t, VerdictTake, Admit(w.s, e).Word)
		change(e)
		v := Admit(w.s, e)
		assert.Equal(t, VerdictRefuse, v.Word, field)
		assert.Equal(t, field[:len(v.Field)], v.Field)
		Apply(w.s, e, nil)
	}
	assert.Equal(t, VerdictRefuse, Admit(w.s, nil).Word)
	assert.Equal(t, []EffectKind{EffectIgnored}, kinds(Apply(w.s, nil, nil)))
}

// What persons and the service say is held to what the machine knows.
func TestWordsOnUnknownThingsAreRefused(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1000.00")
	rec := w.done(after("1"), "sieve-pivot/grease")
	w.says(after("1.2"), &Void{Record: rec})
	voided := rec
	rec = w.done(after("1.3"), "sieve-pivot/grease")
	w.bus(after("2"), "1046.00")
	doubt := w.s.Doubts[0].Key
	w.bus(after("60"), "1051.00") // held with the jump
	w.says(after("61"), &DoubtAnswer{Doubt: doubt, Word: DoubtRight})
	require.Equal(t, Due, w.task("sieve-pivot/grease").State)
	notice := w.s.Notices[len(w.s.Notices)-1].ID
	otherContent := heronChart()
	otherContent.Tasks[0].Limbs[0].Every *= 2

	for name, c := range map[string]struct {
		field string
		body  Body
	}{
		"commissioned twice":      {"machine", &Commissioned{Machine: "heron-3"}},
		"edition, other content":  {"edition", &EditionTaken{Chart: otherContent}},
		"unknown task":            {"tasks", &ServiceDone{Tasks: []string{"sieve-pivot/grease", "sieve-pivot/paint"}}},
		"unknown round":           {"round", &ServiceDone{Round: "hundred"}},
		"unknown meter":           {"shown", &ServiceDone{Round: "fifty", Shown: []MeterShown{{"drum", 5}}}},
		"hours above the machine": {"shown", &ServiceDone{Round: "fifty", Shown: []MeterShown{{"engine", h("1060")}}}},
		"void of nothing":         {"record", &Void{Record: Key{Seq: 77}}},
		"void twice":              {"record", &Void{Record: voided}},
		"unknown doubt":           {"doubt", &DoubtAnswer{Doubt: Key{Seq: 77}, Word: DoubtWrong}},
		"closed doubt":            {"doubt", &DoubtAnswer{Doubt: doubt, Word: DoubtWrong}},
		"unknown notice":          {"notice", &NoticeAnswer{Notice: NoticeID{1}, Word: NoticeMine}},
	} {
		before := w.s.Hash()
		e := w.person(after("62"), c.body)
		v := Admit(w.s, e)
		assert.Equal(t, VerdictRefuse, v.Word, name)
		assert.Equal(t, c.field, v.Field, name)
		assert.NotEmpty(t, v.Do, name)
		assert.Equal(t, before, w.s.Hash(), "admitting changes nothing")
		if _, done := c.body.(*ServiceDone); !done {
			// Applied all the same it is ignored, and says why.
			s := w.s.Clone()
			fx := Apply(s, e, nil)
			require.Equal(t, []EffectKind{EffectIgnored}, kinds(fx), name)
			assert.NotEmpty(t, fx[0].Why)
			assert.Equal(t, w.s.Tasks, s.Tasks)
		}
	}
	late := w.person(after("62"), &ServiceDone{Round: "fifty", Date: civil.None})
	late.At = moment.At(after("63"))
	assert.Equal(t, "at", Admit(w.s, late).Field, "done ahead of now")

	// And what is known is taken.
	for _, body := range []Body{
		&EditionTaken{Chart: heronChart()},
		&ServiceDone{Round: "fifty", Date: civil.None, Shown: []MeterShown{{"engine", h("1051.1")}}},
		&Void{Record: rec},
		&NoticeAnswer{Notice: notice, Word: NoticeMine},
	} {
		assert.Equal(t, VerdictTake, Admit(w.s, w.person(after("62"), body)).Word, "%T", body)
	}
}

func TestAgentsDoubtfulContentIsNeverRefused(t *testing.T) {
	w := newWorld(t, heronChart())
	w.bus(after("1"), "1000.00")
	for _, body := range []Body{
		reading("3.00"), reading("900000.00"),
		&Reading{Meter: "a meter nobody knows", Shown: 5, Resolution: 1, Origin: OriginDerived},
		&BusNames{Vehicle: "SOMETHING ELSE"}, &Warning{Phase: WarningEnded},
	} {
		assert.Equal(t, VerdictTake, Admit(w.s, w.agent('a', moment.At(after("1.1")), body)).Word)
		w.seq['a']--
	}
}
