package maintenance

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/intervals"
)

// When what is done before a season is announced and due, before the opening
// that was announced; common practice, no source.
const (
	SeasonSoonDays = 42
	SeasonDueDays  = 14
)

// season takes in that a season opens or closes on a date, and lets a later word
// stand in place of an earlier one; without a date it takes it back.
func (t *step) season(b *Season) {
	s := t.s
	i := s.seasonIndex(b.Season, b.Crop)
	if i < 0 {
		s.Seasons = append(s.Seasons, SeasonSeen{Season: b.Season, Crop: b.Crop, Opened: civil.None, Closed: civil.None})
		i = len(s.Seasons) - 1
	}
	n := &s.Seasons[i]
	date, by, known := &n.Closed, &n.ClosedBy, &n.ClosedKnown
	if b.Open {
		date, by, known = &n.Opened, &n.OpenedBy, &n.OpenedKnown
	}
	if !by.IsZero() && t.e.Known < *known {
		t.ignore("a later word on the season is known")
		return
	}
	*date, *by, *known = b.Date, t.e.Key, t.e.Known
	slices.SortStableFunc(s.Seasons, func(a, b SeasonSeen) int { return a.compare(&b) })
	if over := len(s.Seasons) - SeasonsKept; over > 0 {
		s.Seasons = slices.Delete(s.Seasons, 0, over)
	}
	t.effect(EffectSeason, s.seasonIndex(b.Season, b.Crop), "")
	t.settleAll()
}

// compare orders seasons by their opening, those that only closed by that.
func (n *SeasonSeen) compare(o *SeasonSeen) int {
	return cmp.Or(cmp.Compare(n.begin(), o.begin()), cmp.Compare(n.Season, o.Season), cmp.Compare(n.Crop, o.Crop))
}

func (n *SeasonSeen) begin() civil.Date {
	if n.Opened == civil.None {
		return n.Closed
	}
	return n.Opened
}

func (s *State) seasonIndex(season, crop string) int {
	return slices.IndexFunc(s.Seasons, func(n SeasonSeen) bool { return n.Season == season && n.Crop == crop })
}

// suitsSeason refuses a season that closes before it opens.
func (s *State) suitsSeason(b *Season) *fault {
	if s.Rules < WorkRules {
		return nil
	}
	n := SeasonSeen{Opened: civil.None, Closed: civil.None}
	if i := s.seasonIndex(b.Season, b.Crop); i >= 0 {
		n = s.Seasons[i]
	}
	switch {
	case b.Date == civil.None && b.Open && n.Opened == civil.None, b.Date == civil.None && !b.Open && n.Closed == civil.None:
		return &fault{"date", fmt.Sprintf("season %q has no such date to take back", b.Season), "give the date"}
	case b.Date != civil.None && b.Open && n.Closed != civil.None && b.Date > n.Closed:
		return &fault{"date", fmt.Sprintf("season %q closed on %v", b.Season, n.Closed), "give an opening before it, or name a new season"}
	case b.Date != civil.None && !b.Open && n.Opened != civil.None && b.Date < n.Opened:
		return &fault{"date", fmt.Sprintf("season %q opens on %v", b.Season, n.Opened), "give a closing after it"}
	}
	return nil
}

// seasonsOf are the seasons of a crop by their opening. Without a crop those of
// one id are one, which opens with the first and closes with the last of them.
func (s *State) seasonsOf(crop string) []SeasonSeen {
	var out []SeasonSeen
	for i := range s.Seasons {
		n := s.Seasons[i]
		if crop != "" && n.Crop != crop || n.begin() == civil.None {
			continue
		}
		k := slices.IndexFunc(out, func(o SeasonSeen) bool { return o.Season == n.Season })
		if crop != "" || k < 0 {
			out = append(out, n)
			continue
		}
		out[k].join(&n)
	}
	slices.SortStableFunc(out, func(a, b SeasonSeen) int { return a.compare(&b) })
	return out
}

// join makes one season of two crops' ones. It is closed once both are.
func (n *SeasonSeen) join(o *SeasonSeen) {
	if o.Opened != civil.None && (n.Opened == civil.None || o.Opened < n.Opened) {
		n.Opened, n.OpenedBy = o.Opened, o.OpenedBy
	}
	switch {
	case n.Closed == civil.None || o.Closed == civil.None:
		n.Closed, n.ClosedBy = civil.None, Key{}
	case o.Closed > n.Closed:
		n.Closed, n.ClosedBy = o.Closed, o.ClosedBy
	}
}

// holds reports whether a day lies in the season.
func (n *SeasonSeen) holds(d civil.Date) bool {
	return (n.Opened == civil.None || n.Opened <= d) && (n.Closed == civil.None || d <= n.Closed)
}

// seasonGauge is how a limb stands that counts seasons.
func (s *State) seasonGauge(g *gauge, l *Limb, rec *TaskRecord) {
	switch {
	case rec.Date == civil.None:
		g.why = "the service has no date"
		return
	case s.today() == civil.None:
		g.why = "no work day has turned yet"
		return
	}
	list := s.seasonsOf(l.Crop)
	n := int(max(l.Seasons, 1))
	g.dated, g.own, g.dates = true, true, intervals.NoDates
	switch l.When {
	case SeasonBefore:
		beforeSeason(g, l, list, rec.Date, n)
	case SeasonIn:
		inSeason(g, list, rec.Date, n)
	case SeasonAfter:
		afterSeason(g, list, rec.Date, n)
	}
}

// beforeSeason: a service outside any season was for the one that opens next.
func beforeSeason(g *gauge, l *Limb, list []SeasonSeen, done civil.Date, n int) {
	if !slices.ContainsFunc(list, func(o SeasonSeen) bool { return o.Opened != civil.None && o.holds(done) }) {
		n++
	}
	target := nth(list, n, func(o *SeasonSeen) bool { return o.Opened != civil.None && o.Opened > done })
	if target == nil {
		g.words = "the season that it is due for is not announced yet"
		return
	}
	soon := l.SoonDays
	if soon == 0 {
		soon = SeasonSoonDays
	}
	g.dates = intervals.BeforeOpening(target.Opened, soon, SeasonDueDays)
	if g.talk {
		g.words = fmt.Sprintf("before season %s opens on %v", target.Season, target.Opened)
	}
}

func inSeason(g *gauge, list []SeasonSeen, done civil.Date, n int) {
	target := nth(list, n, func(o *SeasonSeen) bool { return o.Opened != civil.None && o.Opened > done })
	if target == nil {
		g.words = "the season that it is due in has not opened"
		return
	}
	g.dates = intervals.Dates{Soon: target.Opened, Due: target.Opened, Overdue: civil.Last}
	if g.talk {
		g.words = fmt.Sprintf("in season %s, open from %v", target.Season, target.Opened)
	}
	if target.Closed != civil.None {
		g.dates.Overdue = target.Closed
	}
}

func afterSeason(g *gauge, list []SeasonSeen, done civil.Date, n int) {
	closed := slices.Clone(list)
	slices.SortStableFunc(closed, func(a, b SeasonSeen) int { return cmp.Compare(a.Closed, b.Closed) })
	target := nth(closed, n, func(o *SeasonSeen) bool { return o.Closed != civil.None && o.Closed > done })
	if target == nil {
		g.words = "the season that it is due after has not closed"
		return
	}
	g.dates = intervals.Dates{Soon: target.Closed, Due: target.Closed, Overdue: civil.Last}
	if g.talk {
		g.words = fmt.Sprintf("after season %s closed on %v", target.Season, target.Closed)
	}
	if next := nth(list, 1, func(o *SeasonSeen) bool { return o.Opened != civil.None && o.Opened > target.Closed }); next != nil {
		g.dates.Overdue = next.Opened
	}
}

// nth returns the n-th season that is such, nil where there are fewer.
func nth(list []SeasonSeen, n int, such func(*SeasonSeen) bool) *SeasonSeen {
	for i := range list {
		if such(&list[i]) {
			if n--; n == 0 {
				return &list[i]
			}
		}
	}
	return nil
}
