package api

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	table "github.com/hourbell/hourbell/internal/fleet"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/ingest/workday"
)

// key makes an event's key of what the file says, so that the same said again is
// the same event. What is set without a day is said of the site's day now.
func (r *readingFleet) key(p *plan, parts ...string) maintenance.Key {
	day := p.row.AsOf.Date
	if r.update && day == civil.None {
		if turns, err := workday.New(p.site.Zone, p.site.TurnsAt); err == nil {
			day = turns.At(r.now).Date
		}
	}
	when := ""
	if day != civil.None {
		when = day.String()
	}
	return maintenance.ServiceKey(append([]string{"fleet", p.entry.ID, when}, parts...)...)
}

// when is the time of which the row speaks.
func (r *readingFleet) when(p *plan) moment.Span {
	if span, ok := r.asOf(p); ok {
		return span
	}
	return moment.At(r.now)
}

// asOf is when the hours of a row were read, false where that has not come yet.
func (r *readingFleet) asOf(p *plan) (moment.Span, bool) {
	as := p.row.AsOf
	if as.Date == civil.None {
		return moment.At(r.now), true
	}
	if as.Minutes >= 0 {
		turns, err := workday.New(p.site.Zone, uint16(as.Minutes))
		if err != nil {
			return moment.Span{}, false
		}
		day, is := turns.Day(as.Date) // which begins at that minute of the clock
		return moment.At(day.From), is && day.From <= r.now
	}
	return r.dayOf(p, as.Date)
}

// dayOf is a work day of the site, cut off at now.
func (r *readingFleet) dayOf(p *plan, date civil.Date) (moment.Span, bool) {
	turns, err := workday.New(p.site.Zone, p.site.TurnsAt)
	if err != nil {
		return moment.Span{}, false
	}
	day, is := turns.Day(date)
	return moment.Span{NotBefore: day.From, NotAfter: min(day.Until-1, r.now)}, is && day.From <= r.now
}

// work reads hours and when rounds were last done. A reading comes first: a
// record with fewer hours is then one of before it.
func (r *readingFleet) work(p *plan) {
	at, come := r.asOf(p)
	if !come {
		r.Add(p.row.AsOf.Place, fmt.Sprintf("%v has not come yet at site %s", p.row.AsOf.Date, p.site.ID), "", "give when the hours were read")
		return
	}
	for i := range p.row.Hours {
		h := &p.row.Hours[i]
		if !knowsMeter(p.chart, h.Meter) {
			r.Add(h.Place, fmt.Sprintf("chart %s has no meter %q", p.chart.ID, h.Meter), "one of "+strings.Join(meterNames(p.chart), ", "), "")
			continue
		}
		p.events = append(p.events, planned{key: r.key(p, "hours", h.Meter, fmt.Sprint(int64(h.Shown))), at: at, place: h.Place,
			body: &maintenance.HandReading{Person: access.Person(r.ctx), Reading: maintenance.Reading{Meter: h.Meter, Shown: h.Shown, Resolution: h.Step, Origin: maintenance.OriginPerson}}})
	}
	from := len(p.events)
	for i := range p.row.Last {
		r.last(p, &p.row.Last[i], at)
	}
	slices.SortStableFunc(p.events[from:], func(a, b planned) int { return a.at.Compare(b.at) })
	if !r.update && !p.whole {
		r.outcome.UnknownRounds += int32(r.unknownRounds(p))
	}
}

func (r *readingFleet) unknownRounds(p *plan) (n int) {
	for i := range p.chart.Rounds {
		round := p.chart.Rounds[i].ID
		known := func(l table.Last) bool { return l.Round == round && l.Known }
		if hasTasks(p.chart, round) && !slices.ContainsFunc(p.row.Last, known) {
			n++
		}
	}
	return n
}

func hasTasks(c *maintenance.Chart, round string) bool {
	return slices.ContainsFunc(c.Tasks, func(t maintenance.TaskDef) bool { return t.Round == round })
}

func knowsMeter(c *maintenance.Chart, id string) bool {
	return slices.ContainsFunc(c.Meters, func(m maintenance.MeterDef) bool { return m.ID == id })
}

func meterNames(c *maintenance.Chart) (out []string) {
	for i := range c.Meters {
		out = append(out, c.Meters[i].ID)
	}
	return out
}

// last makes the record of a round that was done before, as far as anyone knows.
func (r *readingFleet) last(p *plan, l *table.Last, read moment.Span) {
	if !hasTasks(p.chart, l.Round) {
		if l.Known {
			r.Add(l.Place, fmt.Sprintf("chart %s has no round %q", p.chart.ID, l.Round), "one of "+strings.Join(roundNames(p.chart), ", "), "")
		}
		return
	}
	if !l.Known {
		return
	}
	body := &maintenance.ServiceDone{Round: l.Round, Date: l.Date, About: true, Person: access.Person(r.ctx), As: string(r.o.Office.Part(access.Person(r.ctx)))}
	at, ok := moment.Span{NotAfter: read.NotAfter}, true
	if l.Date != civil.None {
		if at, ok = r.dayOf(p, l.Date); !ok {
			r.Add(l.Place, fmt.Sprintf("%v has not come yet at site %s", l.Date, p.site.ID), "", "give the day on which the round was done")
			return
		}
	}
	if l.HasHours {
		meter := r.roundMeter(p, l)
		if meter == "" {
			return
		}
		body.Shown = []maintenance.MeterShown{{Meter: meter, Shown: l.Shown}}
		if at, ok = r.ranSince(p, l, meter, at, read); !ok {
			return
		}
	}
	key := maintenance.ServiceKey("fleet", p.entry.ID, "last", l.Round, fmt.Sprint(l.HasHours, int64(l.Shown)), l.Date.String())
	p.events = append(p.events, planned{key: key, at: at, body: body, place: l.Place})
}

func roundNames(c *maintenance.Chart) (out []string) {
	for i := range c.Rounds {
		out = append(out, c.Rounds[i].ID)
	}
	return out
}

// roundMeter is the meter on which a round counts, "" where that is not one.
func (r *readingFleet) roundMeter(p *plan, l *table.Last) string {
	var found []string
	for i := range p.chart.Tasks {
		if p.chart.Tasks[i].Round != l.Round {
			continue
		}
		for _, limb := range p.chart.Tasks[i].Limbs {
			if limb.Kind == maintenance.LimbHours && !slices.Contains(found, limb.Meter) {
				found = append(found, limb.Meter)
			}
		}
	}
	switch len(found) {
	case 0:
		r.Add(l.Place, fmt.Sprintf("round %s counts no hours", l.Round), "the day on which it was last done, as 2031-07-14", "")
	case 1:
		return found[0]
	default:
		r.Add(l.Place, fmt.Sprintf("round %s counts on %s, so hours alone don't tell", l.Round, strings.Join(found, " and ")), "the day on which it was last done, as 2031-07-14", "")
	}
	return ""
}

// ranSince puts a record in time: the machine ran what the meter shows more since,
// and no meter runs faster than the clock. Where the day is known it must leave
// room for that.
func (r *readingFleet) ranSince(p *plan, l *table.Last, meter string, at, read moment.Span) (moment.Span, bool) {
	shown, when, known := r.shows(p, meter, read)
	if !known {
		return at, true
	}
	ran := shown - l.Shown
	if ran < 0 {
		r.Add(l.Place, fmt.Sprintf("%v h when round %s was last done, and the meter shows %v h now", l.Shown, l.Round, shown), "no more hours than it shows", "give hours:"+meter+" as read now beside it")
		return at, false
	}
	latest := when.Lo().Add(-ran)
	if l.Date == civil.None {
		return moment.Span{NotAfter: max(min(latest, r.now), 1)}, true
	}
	if when.Hi().Add(-ran) < at.Lo()-moment.Instant(maintenance.HandSlack) {
		r.Add(l.Place, fmt.Sprintf("%v h on %v: the meter shows %v h now and can't have run so far since", l.Shown, l.Date, shown), "", "look both figures up again")
		return at, false
	}
	if latest < at.Hi() && latest > at.Lo() {
		at.NotAfter = latest
	}
	return at, true
}

// shows is what a meter showed last: as the row says, or as the machine has it.
func (r *readingFleet) shows(p *plan, meter string, read moment.Span) (shown hours.Millis, when moment.Span, known bool) {
	for _, h := range p.row.Hours {
		if h.Meter == meter {
			return h.Shown, read, true
		}
	}
	if !p.there {
		return 0, read, false
	}
	err := r.view(r.ctx, p.entry.ID, func(st *maintenance.State) {
		for i := range st.Meters {
			if m := &st.Meters[i]; m.ID == meter && len(m.Lives) > 0 {
				shown, when, known = m.Lives[len(m.Lives)-1].Last, m.TotalAt, true
			}
		}
	})
	return shown, when, known && err == nil
}

// openingDays is how many work days back a machine's stream knows at its opening,
// and one more.
const openingDays = 61

// rehearse plays the events on copies of the machines' states, so that whatever
// the domain refuses is told before anything is made.
func (r *readingFleet) rehearse() error {
	for _, p := range r.plans {
		if p.whole {
			continue
		}
		st, err := r.stage(p)
		if err != nil {
			return err
		}
		if err := r.hitch(p, st); err != nil {
			return err
		}
		before := openNotices(st)
		for i := range p.events {
			r.play(p, st, &p.events[i])
		}
		if n := openNotices(st) - before; n > 0 {
			r.outcome.Notices += int32(n)
			r.outcome.NoticeMachines++
		}
	}
	return nil
}

// stage is the machine as it stands, or as it will be commissioned.
func (r *readingFleet) stage(p *plan) (*maintenance.State, error) {
	var st *maintenance.State
	if p.there {
		err := r.view(r.ctx, p.entry.ID, func(s *maintenance.State) { st = s.Clone() })
		if err != nil && !isUnknown(err) {
			return nil, err
		}
	}
	var opening []maintenance.Body
	if st == nil {
		st = maintenance.New()
		c := commissioned(p)
		opening = append(opening, &c)
	}
	opening = append(opening, &maintenance.RulesChanged{Version: maintenance.RulesVersion})
	if turns, err := workday.New(p.site.Zone, p.site.TurnsAt); err == nil && len(st.Days) == 0 {
		for day := range turns.From(turns.At(r.now).Date.AddDays(1-openingDays), openingDays) {
			opening = append(opening, &day)
		}
	}
	if p.edition != nil {
		opening = append(opening, &maintenance.EditionTaken{Chart: p.chart})
	}
	for i, body := range opening {
		maintenance.Apply(st, wire.Event(maintenance.ServiceKey("stage", fmt.Sprint(i)), maintenance.WriterService, moment.At(r.now), r.now, [32]byte{}, body), nil)
	}
	return st, nil
}

// hitch puts the row's attachment on, with what it brings.
func (r *readingFleet) hitch(p *plan, st *maintenance.State) error {
	if p.attachment == "" {
		return nil
	}
	piece, err := r.o.Office.Attachment(p.attachment)
	if err != nil || piece.Machine == p.entry.ID {
		return err
	}
	on := &maintenance.Attachment{Attachment: piece.Kind, Piece: piece.ID, On: true}
	if err := r.load(r.ctx, &piece, &maintenance.Attachment{}, on); err != nil {
		return err
	}
	fit(p.chart, on)
	r.play(p, st, &planned{key: maintenance.ServiceKey("hitch"), at: r.hitched(p), body: on, place: p.row.Attachment.Place})
	return nil
}

func openNotices(st *maintenance.State) (n int) {
	for i := range st.Notices {
		if st.Notices[i].Withdrawn.IsZero() {
			n++
		}
	}
	return n
}

// play asks the domain about one event, and applies it.
func (r *readingFleet) play(p *plan, st *maintenance.State, e *planned) {
	ev := wire.Event(e.key, maintenance.WriterPerson, e.at, r.now, [32]byte{}, e.body)
	v := maintenance.Admit(st, ev)
	switch v.Word {
	case maintenance.VerdictRefuse:
		r.Add(e.place, v.Why, "", v.Do)
		return
	case maintenance.VerdictTake:
	default:
		return
	}
	for _, fx := range maintenance.Apply(st, ev, nil) {
		switch fx.Kind {
		case maintenance.EffectReadingHeld:
			r.held(p, e, fx.Why)
		case maintenance.EffectRecord:
			if strings.Contains(fx.Why, "does not fit") {
				r.Add(e.place, cmp.Or(fx.Why, "the hours do not fit"), "", "look them up again")
			}
		}
	}
}

// held is a mistake for a machine that was never read; otherwise it is a doubt,
// which a person answers.
func (r *readingFleet) held(p *plan, e *planned, why string) {
	if !p.there {
		r.Add(e.place, why, "", "look the hours up again")
		return
	}
	r.outcome.Held++
}
