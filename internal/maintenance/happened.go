package maintenance

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// What is kept of the facts of one happening. Longer texts are no conditions.
const (
	factsKept = 16
	factKept  = maxID // bytes of a value
)

// fieldEvent takes in what happened in the field, and the conditions told with it.
func (t *step) fieldEvent(b *FieldEvent) {
	switch {
	case !t.s.knowsEvent(b.Event):
		t.ignore(fmt.Sprintf("the chart knows no event %q", b.Event))
		return
	case t.e.Writer == WriterPerson && ahead(t.e):
		t.ignore("it lies ahead of when it was taken in")
		return
	}
	t.tellFacts(b.Facts, b.Person)
	kind := HappenedEvent
	if b.Ahead {
		kind = HappenedAhead
	}
	t.happened(Happening{Kind: kind, Name: b.Event, Minutes: b.Minutes, Milli: b.Milli, Facts: b.Facts, Person: b.Person})
	t.settleAll()
}

// suitsFieldEvent refuses a person's event that the chart does not know. Of an
// agent's, Apply says so.
func (s *State) suitsFieldEvent(e *Event, b *FieldEvent) *fault {
	if s.Rules < WorkRules || e.Writer == WriterAgent {
		return nil
	}
	if !s.knowsEvent(b.Event) {
		return &fault{"event", fmt.Sprintf("event %q is unknown on this machine", b.Event), "say one of " + s.eventNames()}
	}
	if f := s.suitsFacts(b.Facts); f != nil {
		return f
	}
	return s.notAhead(e)
}

// knowsEvent reports whether the chart, or every machine, knows an event.
func (s *State) knowsEvent(name string) bool {
	return name == EventConditions || s.Chart != nil && s.Chart.hasEvent(name) || commonEvent(name)
}

func commonEvent(name string) bool { return name == EventStorageIn || name == EventStorageOut }

func (c *Chart) hasEvent(name string) bool {
	return slices.ContainsFunc(c.Events, func(d EventDef) bool { return d.ID == name }) ||
		slices.ContainsFunc(c.Counts, func(d CountDef) bool { return d.ID == name })
}

// eventNames lists what may be told.
func (s *State) eventNames() string {
	out := ""
	if s.Chart != nil {
		for i := range s.Chart.Events {
			out += s.Chart.Events[i].ID + ", "
		}
		for i := range s.Chart.Counts {
			out += s.Chart.Counts[i].ID + ", "
		}
	}
	return out + EventStorageIn + ", " + EventStorageOut + " or " + EventConditions
}

// tellFacts keeps the conditions that an event states.
func (t *step) tellFacts(facts []Fact, person string) {
	for i := range facts {
		if len(facts[i].Value) <= factKept {
			t.s.roomForFact(facts[i].Name)
			tell(&t.s.Conditions, TraitKnown{Name: facts[i].Name, Value: facts[i].Value, At: t.when(), By: t.e.Key, Person: person})
			t.effect(EffectTold, -1, facts[i].Name+" is "+facts[i].Value)
		}
	}
}

// roomForFact drops a fact that is no condition of the chart in force, where the
// list is full. A chart has at most TraitsKept.
func (s *State) roomForFact(name string) {
	if len(s.Conditions) < TraitsKept || s.Chart == nil || knownOf(s.Conditions, name) != nil {
		return
	}
	s.Conditions = dropFirst(s.Conditions, 1, func(k *TraitKnown) bool {
		return !slices.ContainsFunc(s.Chart.Conditions, func(d TraitDef) bool { return d.ID == k.Name })
	})
}

// when is the event's time; where its end is not known, no later than it was
// taken in.
func (t *step) when() moment.Span {
	at := t.e.At
	if at.NotAfter == 0 {
		at.NotAfter = t.e.Known
	}
	return at
}

// happened keeps something that happened, in its place in time, with the
// machine's hours by then. Key and At are the event's where they are not given.
// It settles nothing.
func (t *step) happened(h Happening) {
	s := t.s
	if s.Rules < WorkRules {
		return
	}
	if h.Key.IsZero() {
		h.Key, h.At = t.e.Key, t.when()
	}
	if h.Date == 0 || h.Date == civil.None {
		h.Date = s.dateAt(h.At.Hi())
	}
	h.Facts = shortFacts(h.Facts)
	h.Hours = copyOf(h.Hours)
	for i := range s.Meters {
		if _, given := h.on(s.Meters[i].ID); given || h.Kind == HappenedStart {
			continue
		}
		if total, ok := s.hoursAt(i, h.At.Hi()); ok {
			h.Hours = append(h.Hours, MeterShown{Meter: s.Meters[i].ID, Shown: total})
		}
	}
	slices.SortFunc(h.Hours, func(a, b MeterShown) int { return cmp.Compare(a.Meter, b.Meter) })
	pos := len(s.Happened)
	for pos > 0 && s.Happened[pos-1].compare(&h) > 0 {
		pos--
	}
	s.Happened = slices.Insert(s.Happened, pos, h)
	t.inserted(EffectHappened, pos)
	if len(s.Happened) > HappenedKept {
		gone := s.mostFrequent()
		s.Happened = slices.Delete(s.Happened, gone, gone+1)
		t.removed(EffectHappened, gone)
		if pos = s.happenedIndex(&h); pos < 0 {
			return
		}
	}
	t.effect(EffectHappened, pos, h.Name)
}

func shortFacts(facts []Fact) []Fact {
	var out []Fact
	for i := range facts {
		if len(out) < factsKept && len(facts[i].Value) <= factKept {
			out = append(out, facts[i])
		}
	}
	return out
}

func (h *Happening) compare(o *Happening) int {
	return cmp.Or(h.At.Compare(o.At), h.Key.Compare(o.Key), cmp.Compare(h.Kind, o.Kind), cmp.Compare(h.Name, o.Name))
}

func (s *State) happenedIndex(h *Happening) int {
	return slices.IndexFunc(s.Happened, func(o Happening) bool { return o.compare(h) == 0 })
}

// mostFrequent is the index of the oldest happening of the name that is kept
// most often.
func (s *State) mostFrequent() int {
	times := make(map[string]int)
	for i := range s.Happened {
		times[s.Happened[i].Name]++
	}
	best := 0
	for i := range s.Happened {
		if times[s.Happened[i].Name] > times[s.Happened[best].Name] {
			best = i
		}
	}
	return best
}

// started keeps when the engine last started.
func (t *step) started() {
	s := t.s
	if s.Rules < WorkRules {
		return
	}
	if h := s.lastStart(); h != nil && t.when().Compare(h.At) <= 0 {
		return
	}
	s.Happened = slices.DeleteFunc(s.Happened, func(h Happening) bool { return h.Kind == HappenedStart })
	t.happened(Happening{Kind: HappenedStart, Name: "engine"})
	t.settleAll()
}

// lastStart is the engine's last start, nil where none is known.
func (s *State) lastStart() *Happening {
	for i := len(s.Happened) - 1; i >= 0; i-- {
		if s.Happened[i].Kind == HappenedStart {
			return &s.Happened[i]
		}
	}
	return nil
}

// codeStarted keeps the start of a code that some trigger of the chart names.
func (t *step) codeStarted(c *Code) {
	s := t.s
	if s.Rules < WorkRules || s.Chart == nil {
		return
	}
	any := false
	for i := range s.Chart.Codes {
		if d := &s.Chart.Codes[i]; d.Is(c) && s.Chart.triggeredBy(TriggerCode, d.ID) {
			t.happened(Happening{Kind: HappenedCode, Name: d.ID})
			any = true
		}
	}
	if any {
		t.settleAll()
	}
}

// Is reports whether a code on the bus is the one that the chart names.
func (d *CodeDef) Is(c *Code) bool {
	return !c.Ambiguous && c.SPN == d.SPN && (d.AnyFMI || c.FMI == d.FMI) && (d.Source == AnySource || d.Source == int16(c.Source))
}

func (c *Chart) triggeredBy(kind TriggerKind, name string) bool {
	for i := range c.Tasks {
		for j := range c.Tasks[i].Triggers {
			if tr := &c.Tasks[i].Triggers[j]; tr.Kind == kind && tr.Name == name {
				return true
			}
		}
	}
	return false
}

// found keeps what the data showed.
func (t *step) found(b *Finding) {
	if t.s.Rules < WorkRules {
		return
	}
	t.happened(Happening{Kind: HappenedFinding, Name: b.Finding, Facts: b.Evidence})
	t.settleAll()
}

// datesOfHappenings gives happenings in a day that turned late their date.
func (s *State) datesOfHappenings(b *DayTurned) {
	for i := range s.Happened {
		if h := &s.Happened[i]; h.Date == civil.None && h.At.NotAfter >= b.From && h.At.NotAfter < b.Until {
			h.Date = b.Date
		}
	}
}

// on returns the machine's hours on a meter by then.
func (h *Happening) on(meter string) (hours.Millis, bool) { return shownOn(h.Hours, meter) }

func shownOn(list []MeterShown, meter string) (hours.Millis, bool) {
	for i := range list {
		if list[i].Meter == meter {
			return list[i].Shown, true
		}
	}
	return 0, false
}

// amount is how much a happening counts, in thousandths.
func (h *Happening) amount() int64 {
	if h.Milli == 0 {
		return 1000
	}
	return h.Milli
}

// refineHappened looks up the hours of happenings on a meter again; news of the
// time before can only raise them.
func (s *State) refineHappened(meter int) {
	id := s.Meters[meter].ID
	for i := range s.Happened {
		h := &s.Happened[i]
		if h.Kind == HappenedStart {
			continue // its hours are asked for nowhere
		}
		was, ok := h.on(id)
		if now, known := s.hoursAt(meter, h.At.Hi()); known && (!ok || now > was) {
			h.set(id, now)
		}
	}
}

// set gives a happening its hours on a meter. The list is copied, since copies
// of the state share it.
func (h *Happening) set(meter string, total hours.Millis) {
	h.Hours = copyOf(h.Hours)
	for k := range h.Hours {
		if h.Hours[k].Meter == meter {
			h.Hours[k].Shown = total
			return
		}
	}
	if len(h.Hours) >= MetersKept {
		return
	}
	h.Hours = append(h.Hours, MeterShown{Meter: meter, Shown: total})
	slices.SortFunc(h.Hours, func(a, b MeterShown) int { return cmp.Compare(a.Meter, b.Meter) })
}

// shiftHappened moves the hours of happenings from one time until another, as
// shiftRecords does.
func (s *State) shiftHappened(meter string, from, until moment.Span, by hours.Millis) {
	for i := range s.Happened {
		h := &s.Happened[i]
		if h.At.Hi() < from.Lo() || until != (moment.Span{}) && h.At.Hi() >= until.Hi() {
			continue
		}
		if was, ok := h.on(meter); ok {
			h.set(meter, hours.Add(was, by))
		}
	}
}

// lowerHappened looks up anew what stands above the machine's hours, after a
// person took them back.
func (s *State) lowerHappened(meter int) {
	m := &s.Meters[meter]
	for i := range s.Happened {
		h := &s.Happened[i]
		if was, ok := h.on(m.ID); ok && was > m.Total {
			now, known := s.hoursAt(meter, h.At.Hi())
			if !known || now > m.Total {
				now = m.Total
			}
			h.set(m.ID, now)
		}
	}
}
