package office

import (
	"cmp"
	"context"
	"fmt"
	"regexp"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// seasonForm is that of a season's or a crop's name: a year alone will do.
var seasonForm = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)

// maxSeasonWords bounds what is said of the seasons of one site.
const maxSeasonWords = 1000

// seasonID names a season.
type seasonID struct{ site, season, crop string }

func (w *SeasonWord) id() seasonID { return seasonID{w.Site, w.Season, w.Crop} }

// SaySeason keeps what a person said of a season. The same again writes nothing.
// Another day for what was said before takes its place.
func (o *Office) SaySeason(ctx context.Context, w SeasonWord) (Season, error) {
	if err := checkSeason(&w); err != nil {
		return Season{}, err
	}
	o.write.Lock()
	defer o.write.Unlock()
	if _, there := o.f.sites[w.Site]; !there {
		return Season{}, &NotFound{Kind: "site", Name: w.Site}
	}
	have, there := o.f.seasons[w.id()]
	if err := w.fits(have, there); err != nil {
		return Season{}, err
	}
	if there && (w.Open && have.Opens == w.Date || !w.Open && have.Closes == w.Date) {
		return have, nil
	}
	if len(o.f.seasonWords[w.Site]) >= maxSeasonWords {
		return Season{}, &Refused{Why: fmt.Sprintf("%d things were said of the seasons of site %s", maxSeasonWords, w.Site), Fix: "make another site"}
	}
	w.Again = o.f.said(w)
	err := o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_Season{Season: seasonEvent(&w)}})
	return o.f.seasons[w.id()], err
}

func checkSeason(w *SeasonWord) error {
	for _, one := range []struct{ field, value string }{{"season", w.Season}, {"crop", w.Crop}} {
		if one.value == "" && one.field == "crop" {
			continue
		}
		if !seasonForm.MatchString(one.value) {
			return &Refused{Field: one.field, Why: fmt.Sprintf("%q can't be a name of one", one.value), Fix: "use 1 to 63 of a-z, 0-9 and '-', as 2031 or wheat"}
		}
	}
	if w.Date != civil.None && !w.Date.Known() {
		return &Refused{Field: "date", Why: "it is no day of the calendar", Fix: "give a day as 2031-07-14"}
	}
	return nil
}

// fits holds a word to what was said of the season before.
func (w *SeasonWord) fits(have Season, there bool) error {
	switch {
	case w.Date == civil.None && !there:
		return &Refused{Field: "season", Why: fmt.Sprintf("season %s was never opened at site %s", w.name(), w.Site), Fix: "name one that was"}
	case w.Date == civil.None:
	case !w.Open && (!there || !have.Opens.Known()):
		return &Refused{Field: "season", Why: fmt.Sprintf("season %s was never opened at site %s", w.name(), w.Site), Fix: "open it first, or name one that was"}
	case !w.Open && w.Date < have.Opens:
		return &Refused{Field: "date", Why: fmt.Sprintf("season %s opens on %v", w.name(), have.Opens), Fix: "close it on that day or later"}
	case w.Open && there && have.Closes.Known() && w.Date > have.Closes:
		return &Refused{Field: "date", Why: fmt.Sprintf("season %s closes on %v", w.name(), have.Closes), Fix: "open it on that day or before, or give a later one its own name"}
	}
	return nil
}

func (w *SeasonWord) name() string {
	if w.Crop == "" {
		return w.Season
	}
	return w.Season + " of " + w.Crop
}

// said counts how often a word was said before.
func (f *fold) said(w SeasonWord) (n uint32) {
	for _, before := range f.seasonWords[w.Site] {
		before.Again = w.Again
		if before == w {
			n++
		}
	}
	return n
}

func seasonEvent(w *SeasonWord) *pb.OfficeSeason {
	return &pb.OfficeSeason{Site: w.Site, Season: w.Season, Crop: w.Crop, Open: w.Open, DateDays: int32(w.Date), Again: w.Again}
}

func seasonWord(m *pb.OfficeSeason) SeasonWord {
	return SeasonWord{Site: m.GetSite(), Season: m.GetSeason(), Crop: m.GetCrop(), Open: m.GetOpen(), Date: civil.Date(m.GetDateDays()), Again: m.GetAgain()}
}

// SeasonTold notes that machines' streams have a word.
func (o *Office) SeasonTold(ctx context.Context, w SeasonWord, machines ...string) error {
	o.write.Lock()
	defer o.write.Unlock()
	machines = slices.DeleteFunc(slices.Clone(machines), func(m string) bool { return o.f.told[w][m] })
	if len(machines) == 0 {
		return nil
	}
	return o.append(ctx, &pb.OfficeEvent{Body: &pb.OfficeEvent_SeasonTold{SeasonTold: &pb.OfficeSeasonTold{Season: seasonEvent(&w), Machines: machines}}})
}

// UntoldSeasons gives what a machine of a site is still to be told, in the order
// in which it was said: what stands now, not what another word took the place of.
func (o *Office) UntoldSeasons(machine string) (out []SeasonWord) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	words := o.f.seasonWords[o.f.machines[machine].Site]
	for i, w := range words {
		later := slices.ContainsFunc(words[i+1:], func(l SeasonWord) bool { return l.id() == w.id() && l.Open == w.Open })
		if !later && !o.f.told[w][machine] && (w.Date != civil.None || o.f.knows(machine, words[:i], w)) {
			out = append(out, w)
		}
	}
	return out
}

// knows reports whether a machine was told something that a word takes back.
func (f *fold) knows(machine string, before []SeasonWord, w SeasonWord) bool {
	return slices.ContainsFunc(before, func(b SeasonWord) bool {
		return b.id() == w.id() && b.Open == w.Open && b.Date != civil.None && f.told[b][machine]
	})
}

// SeasonReach gives how many machines a season's site has, and how many of them
// were told all that stands of it.
func (o *Office) SeasonReach(s Season) (told, machines int) {
	o.mu.RLock()
	defer o.mu.RUnlock()
	standing := map[bool]SeasonWord{}
	for _, w := range o.f.seasonWords[s.Site] {
		if w.Season == s.Season && w.Crop == s.Crop {
			standing[w.Open] = w
		}
	}
	for id, m := range o.f.machines {
		if m.Site != s.Site {
			continue
		}
		machines, told = machines+1, told+1
		for _, w := range standing {
			if w.Date != civil.None && !o.f.told[w][id] {
				told--
				break
			}
		}
	}
	return told, machines
}

// SaidBy gives the pseudonym of who said a word.
func (o *Office) SaidBy(w SeasonWord) string {
	o.mu.RLock()
	defer o.mu.RUnlock()
	return o.f.saidBy[w]
}

// ListSeasons gives a customer's seasons, or all with customer "", by site, the
// newest first.
func (o *Office) ListSeasons(customer string) []Season {
	o.mu.RLock()
	defer o.mu.RUnlock()
	var out []Season
	for id, s := range o.f.seasons {
		if !s.Opens.Known() && !s.Closes.Known() {
			continue // taken back
		}
		if customer == "" || o.f.sites[id.site].Customer == customer {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b Season) int {
		return cmp.Or(cmp.Compare(a.Site, b.Site), cmp.Compare(b.Opens, a.Opens), cmp.Compare(a.Season, b.Season), cmp.Compare(a.Crop, b.Crop))
	})
	return out
}
