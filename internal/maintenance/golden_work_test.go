package maintenance

import (
	"bytes"
	"encoding/hex"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// The second golden stream is a year under WorkRules. Its chart and its events
// stand in this file alone, so that no other test's can change them.

const goldenEvery = hours.Hour

func goldenOf(id, point, do string, limbs ...Limb) TaskDef {
	return TaskDef{ID: id, Point: point, Do: do, Limbs: limbs}
}

func goldenBy(id string, tr ...TriggerDef) TaskDef {
	return TaskDef{ID: id, Point: "bolts", Do: "check", Triggers: tr}
}

func goldenBound(micro int64) Bound { return Bound{Set: true, Micro: micro} }

// goldenYearChart has a task of each sort: its figures are invented.
func goldenYearChart() *Chart {
	on := func(every hours.Millis) Limb {
		return Limb{Kind: LimbHours, Meter: "engine", Every: every * goldenEvery}
	}
	return &Chart{
		ID: "heron-year", Edition: 1,
		Meters: []MeterDef{{ID: "engine", Kind: MeterBroadcast, Resolution: hours.Hour / 20, Group: 65253, SPN: 247},
			{ID: "reel", Kind: MeterDerived, Resolution: hours.Second, Of: "reel-head"}},
		Codes:       []CodeDef{{ID: "rotor-hot", SPN: 520777, AnyFMI: true, Source: 40}},
		Rounds:      []RoundDef{{ID: "dusk", Call: "dusk round"}},
		Cautions:    []CautionDef{{"stand", "Key out, and nothing turns any more"}},
		Basis:       []BasisDef{{Kind: BasisBook, Text: "owner's book", Agreed: civil.None}, {Kind: BasisShop, Text: "winter meeting", Who: "the foreman", Agreed: dayOne - 200}},
		Events:      []EventDef{{ID: "choked"}, {ID: "rinsed"}, {ID: "stone"}},
		Counts:      []CountDef{{ID: "bales", Unit: "bale"}},
		Conditions:  []TraitDef{{ID: "dust", Kind: TraitChoice, Choices: []string{"light", "heavy"}}},
		Attachments: []AttachmentDef{{ID: "reel-head", Call: "reel head"}},
		Traits: []TraitDef{{ID: "serial", Kind: TraitNumber, Ask: "Number on the plate"}, {ID: "leased", Kind: TraitYesNo},
			{ID: "cord", Kind: TraitChoice, Choices: []string{"glass", "steel"}, Renewed: "belt"}},
		Materials: []MaterialDef{{ID: "blue", Kind: "grease", Thickener: "lithium", NLGI: "2", Mixes: []MixDef{{"clay", MixNo}, {"calcium", MixAsk}}, MixChart: "FIST 2-4"},
			{ID: "white", Kind: "grease", Thickener: "calcium", Solids: "graphite"}},
		Walks: []WalkDef{{ID: "dawn", Call: "before the first start", Sign: SignSecond}},
		Parts: []PartDef{{ID: "belt", Kind: "belt", Meter: "engine", Variants: []string{"glass", "steel"}, Spare: "van"}},
		Points: []PointDef{{ID: "pivot", Station: 1, Fittings: 2}, {ID: "bolts"}, {ID: "belt"}, {ID: "trough"}, {ID: "reel-cam", Attachment: "reel-head"},
			{ID: "early", FittedIf: []Cond{{Of: "serial", Op: CondBelow, Milli: 500_000}}, OnDecal: true, NotHere: "of the earlier build"}},
		Tasks: []TaskDef{
			{ID: "pivot/grease", Point: "pivot", Do: "grease", Round: "dusk", Who: "operator", Material: "blue", Limbs: []Limb{on(40)},
				TooSoon: TooSoonDef{Hours: 15 * goldenEvery, Meter: "engine", Days: 2, Unless: []string{"rinsed"}},
				Dose:    []DoseDef{{Unit: "stroke", Lo: 2000, Hi: 3000, Most: 4000, Season: 30_000, Per: "fitting"}}, Refuse: []Property{{"solids", "graphite"}}, HarmOver: "the seal folds out"},
			goldenOf("pivot/wipe", "pivot", "clean", Limb{Kind: LimbDays, Days: 2}),
			goldenOf("sump/change", "pivot", "change", Limb{Kind: LimbHours, Meter: "engine", Every: 50 * goldenEvery, Grid: true}, Limb{Kind: LimbMonths, Months: 3, Grid: true, GridFrom: dayOne - 30}),
			goldenOf("drain/open", "trough", "drain", Limb{Kind: LimbSeason, When: SeasonBefore}),
			goldenOf("drain/rinse", "trough", "clean", Limb{Kind: LimbSeason, When: SeasonIn, Crop: "wheat"}),
			goldenOf("drain/close", "trough", "check", Limb{Kind: LimbSeason, When: SeasonAfter}),
			goldenOf("knife/turn", "trough", "check", Limb{Kind: LimbCounted, Of: "bales", Count: 6000}),
			goldenOf("screen/blow", "trough", "clean", Limb{Kind: LimbDays, Days: 1, While: []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}}),
			{ID: "screen/look", Point: "trough", Do: "check", Soft: true, Round: "dusk", Limbs: []Limb{on(10)}},
			{ID: "tank/oil", Point: "trough", Do: "change", Basis: BasisBook, Limbs: []Limb{{Kind: LimbMonths, Months: 6}},
				Instead: []InsteadDef{{Basis: BasisShop, Limbs: []Limb{{Kind: LimbMonths, Months: 36}}, Provided: []string{"drain/rinse"}, NotIf: []string{"leased"}}}},
			goldenBy("bolts/turn", TriggerDef{Kind: TriggerEvent, Name: "choked", If: []Cond{{Of: "minutes", Op: CondAbove, Milli: 18_000}}}),
			goldenBy("bolts/mark", TriggerDef{Kind: TriggerCode, Name: "rotor-hot", By: ByHours, In: 3 * goldenEvery, Meter: "engine"}),
			goldenBy("bolts/again", TriggerDef{Kind: TriggerDone, Name: "bolts/turn", By: ByDays, InDays: 1}),
			goldenBy("bolts/file", TriggerDef{Kind: TriggerFailed, Name: "filters/change"}),
			goldenBy("belt/look", TriggerDef{Kind: TriggerFitted, Name: "belt"}),
			goldenBy("belt/align", TriggerDef{Kind: TriggerFinding, Name: "belt-drift"}),
			goldenBy("lamp/cover", TriggerDef{Kind: TriggerBefore, Name: "rinsed"}),
			goldenBy("lamp/uncover", TriggerDef{Kind: TriggerBefore, Name: "rinsed", By: ByNextStart}),
			goldenBy("stones/box", TriggerDef{Kind: TriggerEvent, Name: "stone", Count: 2, Within: 6 * goldenEvery, WithinDays: 3, Meter: "engine"}),
			{ID: "belt/tension", Point: "belt", Do: "check", Who: "technician", RunIns: []RunInDef{{Part: "belt", Meter: "engine", Marks: []hours.Millis{goldenEvery / 2, 12 * goldenEvery}, Expect: "a finger's width"}}},
			{ID: "belt/renew", Point: "belt", Do: "replace", Who: "technician", Cautions: []string{"stand"}},
			{ID: "belt/steel", Point: "belt", Do: "clean", FittedIf: []Cond{{Of: "cord", Op: CondIs, Words: []string{"steel"}}}, Limbs: []Limb{on(20)}},
			{ID: "filters/change:near", Point: "trough", Do: "change", Set: "filters/change", Item: "near", Limbs: []Limb{on(60)}},
			{ID: "filters/change:far", Point: "trough", Do: "change", Set: "filters/change", Item: "far", Limbs: []Limb{on(60)}},
			{ID: "trough/wear", Point: "trough", Do: "measure", Walks: []string{"dawn"}, SignOff: true, See: []CriterionDef{{"floor", "no hole"}}, Else: []ElseDef{{Remark: "trough-worn", Verdict: DoNotRun}},
				Measure: []MeasureDef{{What: "gap", Unit: "mm", Spots: []string{"near", "far"}, OkLo: goldenBound(250_000), OkHi: goldenBound(700_000), ActLo: goldenBound(150_000), ActHi: goldenBound(900_000), Found: true, Left: true, Meter: "engine"}}},
			{ID: "ladder/look", Point: "pivot", Do: "check", Walks: []string{"dawn"}, See: []CriterionDef{{"rungs", "dry"}}, Limbs: []Limb{on(30)}},
			{ID: "early/look", Point: "early", Do: "check", Walks: []string{"dawn"}, Limbs: []Limb{on(30)}},
			{ID: "trough/overhaul", Point: "trough", Do: "overhaul", Who: "dealer", Covers: []string{"drain/close", "filters/change"}},
			{ID: "hub/oil", Point: "pivot", Do: "never", Round: "dusk", Why: "it swells the bush"},
			{ID: "reel-cam/grease", Point: "reel-cam", Do: "grease", Limbs: []Limb{{Kind: LimbHours, Meter: "reel", Every: 30 * goldenEvery}}},
		},
		Leads: []LeadDef{{ID: "belt-lags", Findings: []string{"belt-drift"}, Look: []LookDef{{Point: "belt", Why: "it slips"}}}},
		Settings: []SettingDef{{ID: "drum", Unit: "rpm", Suits: []SuitDef{{If: []Cond{{Of: "dust", Op: CondIs, Words: []string{"heavy"}}}, Lo: goldenBound(700_000_000)}}},
			{ID: "grate", Choices: []string{"wide", "narrow"}}},
	}
}

// goldenYearSecond drops tasks and halves an interval.
func goldenYearSecond() *Chart {
	c := goldenYearChart()
	c.Edition = 2
	c.Tasks[0].Limbs[0].Every = 20 * goldenEvery
	c.Tasks = append(c.Tasks[:5], c.Tasks[16:]...)
	for i := range c.Tasks {
		if c.Tasks[i].ID == "trough/overhaul" {
			c.Tasks[i].Covers = []string{"filters/change"}
		}
	}
	return c
}

// golden2 is the world of the second stream.
type golden2 struct {
	*world
	walk  Key
	shown hours.Millis
}

// done2 is a record with all that is said of it; without a date or a person.
func (g *golden2) done2(at moment.Instant, b ServiceDone) Key {
	if b.Date == 0 {
		b.Date = civil.None
	}
	g.says(at, &b)
	return g.last.Key
}

func (g *golden2) field(at moment.Instant, b FieldEvent) { g.says(at, &b) }

// run is some hours of a day with readings, all of them heard.
func (g *golden2) run(day int, from string, n int) {
	at := sunrise.Add(hours.Millis(day)*24*hours.Hour + h(from))
	for range n {
		g.bus(at, g.shown.String())
		at, g.shown = at.Add(hours.Hour/2), g.shown+hours.Hour/2
	}
	g.fromBox('a', at, &Listened{From: at.Add(-hours.Millis(n) * hours.Hour / 2), To: at, Frames: uint64(n) * 800})
}

// goldenYear is a year of the machine with something of all that the rules know.
func goldenYear(t testing.TB) *world {
	w := newWorld(t)
	g := &golden2{world: w, shown: h("1200.00")}
	w.service("rules 2", after("0"), &RulesChanged{Version: WorkRules})
	w.service("edition 1", after("0.1"), &EditionTaken{Chart: goldenYearChart(), Person: "p1"})
	w.fromBox('a', after("0.2"), &BusNames{Vehicle: "TARN HERON 3", Confidence: 1})
	w.fromBox('a', after("0.3"), &Engine{Running: true})
	g.run(0, "0.5", 4)
	goldenFirstDays(g)
	goldenLog(g)
	goldenWalks(g)
	goldenHeads(g)
	goldenSeasons(g)
	goldenLast(g)
	return w
}

// goldenFirstDays is build, services, conditions and triggers.
func goldenFirstDays(g *golden2) {
	w := g.world
	w.service("trait serial", after("1"), &Trait{Name: "serial", Value: "480", Person: "p1"})
	w.service("trait leased", after("1"), &Trait{Name: "leased", Value: No, Person: "p1"})
	w.service("trait cord", after("1"), &Trait{Name: "cord", Value: "steel", Person: "p1"})
	w.says(after("2.6"), &GunMeasured{Gun: "gun-1", Micro: 850_000, Person: "p2"})
	var all []string
	for i := range w.s.Tasks {
		if id := w.s.Tasks[i].ID; w.s.Tasks[i].Build == BuildFitted && id != "hub/oil" && w.s.Chart.Tasks[i].Triggers == nil {
			all = append(all, id)
		}
	}
	g.done2(after("2.7"), ServiceDone{Tasks: all, Person: "p2", As: "dealer", Shown: []MeterShown{{"engine", h("1202.0")}}})
	g.field(after("2.8"), FieldEvent{Event: EventConditions, Facts: []Fact{{"dust", "heavy"}}, Person: "p3"})
	w.says(after("2.9"), &SettingsLeft{Settings: []SettingLeft{{Setting: "drum", Found: goldenBound(600_000_000), Left: goldenBound(650_000_000)}, {Setting: "grate", FoundWord: "narrow", LeftWord: "wide"}},
		Facts: []Fact{{"dust", "light"}}, Person: "p3"})
	w.day(1)
	g.run(1, "1", 16)
	g.field(dayAt(1, "9.2"), FieldEvent{Event: "choked", Minutes: 5, Person: "p3"})
	g.field(dayAt(1, "9.4"), FieldEvent{Event: "choked", Minutes: 25, Person: "p3"})
	g.field(dayAt(1, "9.5"), FieldEvent{Event: "bales", Milli: 5500})
	w.fromBox('a', dayAt(1, "9.6"), &Warning{Code: Code{Source: 40, SPN: 520777, FMI: 3}, Phase: WarningStarted, Occurrences: 1})
	g.done2(dayAt(1, "9.7"), ServiceDone{Tasks: []string{"bolts/turn"}, Person: "p3"})
	w.service("finding drift", dayAt(1, "9.8"), &Finding{Finding: "belt-drift", Method: "ratio", Version: 1, Evidence: []Fact{{"drift", "5 %"}}})
	w.says(dayAt(1, "9.9"), &CauseFound{Lead: "belt-lags", Point: "belt", Text: "glazed", Person: "p2"})
	w.day(2)
	g.run(2, "1", 16)
	g.field(dayAt(2, "9.1"), FieldEvent{Event: "stone"})
	g.field(dayAt(2, "9.2"), FieldEvent{Event: "stone"})
	g.field(dayAt(2, "9.3"), FieldEvent{Event: "bales", Milli: 1500})
	w.fromBox('a', dayAt(2, "9.4"), &Engine{Running: false})
	g.field(dayAt(2, "9.5"), FieldEvent{Event: "rinsed", Ahead: true, Person: "p3"})
	g.done2(dayAt(2, "9.6"), ServiceDone{Tasks: []string{"lamp/cover"}, Person: "p3"})
	g.field(dayAt(2, "10"), FieldEvent{Event: "rinsed", Person: "p3"})
	w.fromBox('a', dayAt(2, "10.5"), &Engine{Running: true})
}

// goldenLog is what a service log has: parts, materials, what waits and is
// confirmed, what failed, late and back-dated records, one taken back, two that
// look like one, and what is put off.
func goldenLog(g *golden2) {
	w := g.world
	w.day(3)
	g.run(3, "1", 4)
	g.done2(dayAt(3, "3.1"), ServiceDone{Tasks: []string{"belt/renew"}, Person: "p2", As: "technician", Parts: []PartFitted{{Part: "belt", Variant: "glass", Number: "B-7", Why: OffWornOut, Note: "cords", Spare: true}}, ShieldsOff: 3, ShieldsOn: 2})
	g.run(3, "3.2", 4)
	g.done2(dayAt(3, "5.3"), ServiceDone{Tasks: []string{"pivot/grease"}, Person: "p3", As: "operator", Found: []AsFound{{"pivot/grease", FoundDry}}, About: true,
		Materials: []MaterialUsed{{Material: "blue", Milli: 10_000, Unit: "stroke", Task: "pivot/grease", Gun: "gun-1"}}})
	g.done2(dayAt(3, "9"), ServiceDone{Tasks: []string{"pivot/grease"}, Person: "p3", Found: []AsFound{{"pivot/grease", FoundPurged}}, Materials: []MaterialUsed{{Material: "white", Milli: 4000, Unit: "g"}}})
	waits := g.done2(dayAt(3, "9.1"), ServiceDone{Tasks: []string{"belt/tension"}, Person: "p3", As: "operator"})
	w.says(dayAt(3, "9.2"), &Confirmed{Record: waits, Person: "p2", As: "technician"})
	g.done2(dayAt(3, "9.3"), ServiceDone{Failed: []string{"filters/change:near"}, Tasks: []string{"filters/change:far"}, Person: "p2"})
	g.done2(dayAt(3, "9.4"), ServiceDone{Tasks: []string{"trough/wear"}, Person: "p2", Seen: []SeenWord{{"trough/wear", "floor", false, "a hole"}},
		Measured: []Measured{{Task: "trough/wear", Spot: "near", Unit: "mm", Micro: 950_000}, {Task: "trough/wear", Spot: "near", Left: true, Unit: "mm", Micro: 400_000}, {Task: "trough/wear", Spot: "far", Unit: "mm", Micro: 120_000}}})
	wrong := g.done2(dayAt(3, "9.5"), ServiceDone{Tasks: []string{"knife/turn"}, Person: "p2"})
	w.says(dayAt(3, "9.6"), &Void{Record: wrong, Person: "p2", Why: "another machine"})
	g.done2(dayAt(2, "3"), ServiceDone{Tasks: []string{"ladder/look"}, Person: "p3", Note: "written down a day late"})
	g.done2(dayAt(3, "9.7"), ServiceDone{Tasks: []string{"sump/change"}, Person: "p2", Date: dayOne - 3, Note: "back-dated"})
	g.done2(dayAt(3, "9.8"), ServiceDone{Tasks: []string{"screen/look"}, Person: "p3"})
	g.done2(dayAt(3, "9.9"), ServiceDone{Tasks: []string{"screen/look"}, Person: "p2"})
	for i := range w.s.Doubts {
		if d := &w.s.Doubts[i]; d.Kind == DoubtSameAct && d.Closed.IsZero() {
			w.says(dayAt(3, "10"), &DoubtAnswer{Doubt: d.Key, Word: DoubtOneAct, Person: "p1", Why: "the same"})
			break
		}
	}
	w.says(dayAt(3, "10.1"), &Postponed{Tasks: []string{"stones/box"}, Why: "no box", ForHours: 4 * hours.Hour, UntilDate: dayOne + 9, Person: "p1"})
	w.says(dayAt(3, "10.2"), &Postponed{Tasks: []string{"knife/turn", "pivot/wipe"}, Why: "rain", UntilDate: dayOne + 8, Person: "p1"})
	w.says(dayAt(3, "10.3"), &Postponed{Tasks: []string{"knife/turn"}, UntilDate: civil.None, Person: "p1"})
	w.says(dayAt(3, "10.4"), &NoticeAnswer{Notice: openNotice(w, "knife/turn"), Word: NoticeMine, Person: "p3"})
}

// goldenWalks is remarks and walk-rounds.
func goldenWalks(g *golden2) {
	w := g.world
	w.day(4)
	w.says(dayAt(4, "1"), &Remark{Point: "belt", Text: "cut at the edge", Verdict: RunWatched, Part: "belt", DoBy: dayOne + 6, Pictures: [][32]byte{{7}}, Person: "p3"})
	remark := w.last.Key
	w.says(dayAt(4, "1.1"), &RemarkWord{Remark: remark, Act: RemarkChange, Verdict: DoNotRun, DoBy: civil.None, Pictures: [][32]byte{{8}}, Person: "p1"})
	w.says(dayAt(4, "1.2"), &RemarkWord{Remark: remark, Act: RemarkCarry, DoBy: civil.None, Person: "p1"})
	w.says(dayAt(4, "1.3"), &RemarkWord{Remark: remark, Act: RemarkClose, Why: "it is only dirt", DoBy: civil.None, Person: "p1"})
	w.says(dayAt(4, "1.4"), &RemarkWord{Remark: remark, Act: RemarkReopen, DoBy: civil.None, Person: "p2"})
	g.done2(dayAt(4, "1.5"), ServiceDone{Tasks: []string{"belt/look"}, Closes: []Key{remark}, Person: "p2"})
	w.says(dayAt(4, "2"), &Walk{Act: WalkBegin, Occasion: "dawn", Date: dayOne + 4, Person: "p3", Looked: []Looked{{Task: "ladder/look", Word: LookedInOrder}}})
	g.walk = w.last.Key
	answer := func(at string, l Looked) {
		w.says(dayAt(4, at), &Walk{Act: WalkAnswer, Walk: g.walk, Looked: []Looked{l}, Date: civil.None, Person: "p3"})
	}
	answer("2.1", Looked{Task: "ladder/look", Word: LookedRemark, Text: "a rung is bent", Verdict: RunWatched, Pictures: [][32]byte{{9}}})
	answer("2.2", Looked{Task: "trough/wear", Word: LookedNot})
	answer("2.3", Looked{Task: "trough/wear", Word: LookedInOrder, Measured: []Measured{{Spot: "near", Unit: "mm", Micro: 420_000}, {Spot: "far", Unit: "mm", Micro: 710_000}}})
	answer("2.4", Looked{Task: "early/look", Word: LookedNotHere})
	w.says(dayAt(4, "2.5"), &Walk{Act: WalkSign, Walk: g.walk, Person: "p2", As: "second", Date: civil.None})
	answer("2.35", Looked{Task: "early/look", Word: LookedInOrder}) // late, and before the one that stands
	w.says(dayAt(4, "3"), &Walk{Act: WalkBegin, Occasion: "dawn", Date: civil.None, Person: "p2"})
	w.says(dayAt(4, "3.1"), &Walk{Act: WalkLeave, Walk: w.last.Key, Why: "rain", Person: "p2", Date: civil.None})
}

// goldenHeads is an attachment that goes, another piece that comes with records,
// and the first one back.
func goldenHeads(g *golden2) {
	w := g.world
	head := func(at, piece string, on bool, shown string, carried ...CarriedRecord) {
		w.service("head "+piece+at, dayAt(5, at), &Attachment{Attachment: "reel-head", Piece: piece, On: on, Shown: []MeterShown{{"reel", h(shown)}}, Carried: carried, Person: "p1"})
	}
	reel := func(at, shown string) {
		w.fromBox('a', dayAt(5, at), &Reading{Meter: "reel", Shown: h(shown), Resolution: hours.Second, Origin: OriginDerived})
	}
	w.day(5)
	head("1", "head-a", true, "100")
	g.done2(dayAt(5, "1.1"), ServiceDone{Tasks: []string{"reel-cam/grease"}, Person: "p3"})
	reel("3", "101.90")
	head("4", "head-a", false, "102.5")
	head("5", "head-b", true, "410", CarriedRecord{Record: Key{Stream: [16]byte{0xb, 0xb}}, Task: "reel-cam/grease", At: moment.At(after("0.05")), Date: dayOne, Hours: []MeterShown{{"reel", h("378")}}, Person: "p9"})
	reel("6", "410.95")
	head("7", "head-b", false, "411")
	head("8", "head-a", true, "102.5")
	w.says(dayAt(5, "9"), &HandReading{Reading: Reading{Meter: "engine", Shown: h("1222.1"), Resolution: tenthHour}, Person: "p3"})
}

// goldenSeasons is seasons opened, closed, moved and taken back, over the winter.
func goldenSeasons(g *golden2) {
	w := g.world
	season := func(day int, name, crop string, open bool, d civil.Date) {
		w.service("season "+name+crop+d.String(), dayAt(day, "1"), &Season{Season: name, Crop: crop, Open: open, Date: d, Person: "p1"})
	}
	for _, n := range []int{6, 8, 9, 12} {
		w.day(n)
	}
	season(12, "2031", "wheat", true, dayOne+13)
	w.day(13)
	g.run(13, "1", 20)
	w.says(dayAt(13, "12"), &Postponed{Tasks: []string{"bolts/turn"}, Round: "dusk", Why: "night", UntilDate: dayOne + 20, Person: "p1"})
	g.field(dayAt(13, "13"), FieldEvent{Event: "choked", Minutes: 40, Person: "p3"}) // anew, though put off
	g.done2(dayAt(13, "14"), ServiceDone{Round: "dusk", Person: "p3", As: "operator"})
	w.day(40)
	season(40, "2031", "wheat", false, dayOne+39)
	g.field(dayAt(40, "2"), FieldEvent{Event: EventStorageIn})
	season(40, "2032", "wheat", true, dayOne+330)
	season(40, "2032", "barley", true, dayOne+320)
	w.day(200)
	season(200, "2032", "barley", true, civil.None)
	season(200, "2032", "wheat", true, dayOne+340)
	for _, n := range []int{300, 330, 340} {
		w.day(n)
	}
	g.field(dayAt(340, "1"), FieldEvent{Event: EventStorageOut})
	season(340, "2032", "wheat", false, dayOne+365)
	w.day(366)
}

// goldenLast is the box, the notices, an edition taken and taken back, the sale.
func goldenLast(g *golden2) {
	w := g.world
	at := dayAt(366, "1")
	w.fromBox('a', at, &DriveMinute{Drive: "fan", Loaded: Ratio{798_000, 600_000, 60}})
	w.fromBox('a', at, &BusValues{Values: []BusValue{{"drum_speed", ValueOK, 812_500}}})
	w.fromBox('a', at, &FieldEvent{Event: "choked", Minutes: 20})
	w.seq['a'] += 3
	w.fromBox('a', at, &Thinned{Events: 4})
	w.service("fate 1", at, &NoticeFate{Notice: w.s.Notices[len(w.s.Notices)-1].ID, Channel: "web", Word: NoticeDelivered, Detail: "201"})
	w.seq['a']++
	w.apply(&Event{Key: Key{Stream: box('a'), Seq: w.seq['a']}, Writer: WriterAgent, At: moment.At(at), Known: at, Body: &SetAside{Reason: "no such kind", Bytes: []byte{0xfe}}})
	w.service("edition 2", dayAt(366, "2"), &EditionTaken{Chart: goldenYearSecond(), Person: "p1"})
	g.run(366, "2.5", 2)
	w.service("edition 1 again", dayAt(366, "4"), &EditionTaken{Chart: goldenYearChart(), Person: "p1"})
	w.service("sold", dayAt(366, "5"), &HandedOver{Customer: "upper-tarn", Site: "upper-tarn", Zone: "Etc/UTC", TurnsAt: 300, Person: "p1"})
	w.service("rules 2 again", dayAt(366, "6"), &RulesChanged{Version: WorkRules})
}

// goldenSeen is what a replay came by.
type goldenSeen map[string]bool

func (g goldenSeen) event(e *Event) {
	switch b := e.Body.(type) {
	case *Walk:
		g["walk "+string('0'+rune(b.Act))] = true
		for i := range b.Looked {
			g["looked "+b.Looked[i].Word.String()] = true
		}
	case *RemarkWord:
		g["remark "+b.Act.String()] = true
	case *Attachment:
		g["attachment"], g["carried"] = true, g["carried"] || len(b.Carried) > 0
		g["on"], g["off"] = g["on"] || b.On, g["off"] || !b.On
	case *Season:
		g["season taken back"] = g["season taken back"] || b.Date == civil.None
		g["opened"], g["closed"] = g["opened"] || b.Open, g["closed"] || !b.Open
	case *Postponed:
		g["taken back"], g["in hours"] = g["taken back"] || b.UntilDate == civil.None && b.ForHours == 0, g["in hours"] || b.ForHours > 0
	case *ServiceDone:
		g["back-dated"], g["failed"] = g["back-dated"] || b.Date != civil.None, g["failed"] || len(b.Failed) > 0
	}
}

// deciding notes what makes tasks due now.
func (g goldenSeen) deciding(s *State) {
	for i := range s.Tasks {
		if s.Tasks[i].Gone || s.Tasks[i].State < DueSoon {
			continue
		}
		c := s.counter(i)
		switch l := &c.Limbs[c.Limb]; {
		case l.RunIn:
			g["run-in"] = true
		case l.Trigger > 0:
			g["trigger "+string('0'+rune(l.Trigger))] = true
		default:
			g["limb "+string('0'+rune(l.Kind))] = true
			g["grid"] = g["grid"] || l.Grid
		}
	}
	for i := range s.Tasks {
		for j := range s.Tasks[i].Records {
			if r := &s.Tasks[i].Records[j]; r.Waiting {
				g["waiting"] = true
			}
		}
	}
}

var goldenWants = strings.Split("walk 1,walk 2,walk 3,walk 4,looked in order,looked remark,looked not looked,looked not on this machine,"+
	"remark closed,remark changed,remark carried to the winter's work,remark opened again,attachment,carried,on,off,season taken back,opened,closed,"+
	"taken back,in hours,back-dated,failed,run-in,trigger 1,trigger 2,trigger 3,trigger 4,trigger 5,trigger 6,trigger 7,limb 1,limb 2,limb 3,limb 4,limb 5,grid,waiting", ",")

func TestGoldenYear(t *testing.T) {
	stream, sums := filepath.Join(goldenDir, "season-2.stream"), filepath.Join(goldenDir, "season-2.sums")
	if _, err := os.Stat(stream); os.IsNotExist(err) && *writeGolden {
		w := goldenYear(t)
		require.NoError(t, os.WriteFile(stream, frame(w.log), 0o644))
		require.NoError(t, os.WriteFile(sums, []byte(hex.EncodeToString(w.s.Chain[:])+"  chain\n"+hash(w.s)+"  state\n"), 0o644))
	}
	b, err := os.ReadFile(stream)
	require.NoError(t, err)
	want, err := os.ReadFile(sums)
	require.NoError(t, err)
	s, kinds, seen := New(), map[Kind]bool{}, goldenSeen{}
	for _, b := range unframe(t, b) {
		e, err := DecodeEvent(b)
		require.NoError(t, err)
		require.Equal(t, b, AppendEvent(nil, e), "what is once encoded encodes the same for ever")
		require.Equal(t, VerdictTake, Admit(s, e).Word)
		Apply(s, e, nil)
		kinds[e.Kind()] = true
		seen.event(e)
		seen.deciding(s)
	}
	for _, k := range allKinds {
		assert.True(t, kinds[k], "kind %d is not in the stream", k)
	}
	for _, name := range goldenWants {
		assert.True(t, seen[name], "%s is not in the stream", name)
	}
	assert.Equal(t, strings.TrimSpace(string(want)), hex.EncodeToString(s.Chain[:])+"  chain\n"+hash(s)+"  state")
	assert.True(t, bytes.Equal(b, frame(goldenYear(t).log)), "the year written in this file is the one on disk")
	goldenYearFacts(t, s)
}

// goldenYearFacts are what the year comes to, worked out by hand.
func goldenYearFacts(t *testing.T, s *State) {
	w := &world{t: t, s: s}
	// 1200.00 to 1231.50 h in the first season, and an hour after the winter.
	assert.Equal(t, h("1232.50"), w.meter("engine").Total)
	assert.Equal(t, h("102.50"), w.meter("reel").Total, "the first piece is on again")
	assert.Equal(t, h("27.50"), w.counter("reel-cam/grease").Limbs[0].Left, "greased at 100 h of its own")
	// Greased with the dusk round at 1231.50 h.
	assert.Equal(t, h("39.00"), w.counter("pivot/grease").Limbs[0].Left)
	// On a date before the first day, so the next whole 50 h and the next step of
	// three months from 2031-06-14; 2032-07-14 is 304 days beyond that.
	c := w.counter("sump/change")
	assert.Equal(t, h("17.50"), c.Limbs[0].Left)
	assert.Equal(t, mustDate(2031, 9, 14), c.Limbs[1].DueOn)
	assert.Equal(t, -304, c.Limbs[1].DaysLeft)
	// The rinse of 2031 is not on record, so six months hold and not three years.
	c = w.counter("tank/oil")
	assert.Equal(t, "falls back to the book: drain/rinse was not done in season 2031", c.Practice)
	assert.Equal(t, mustDate(2032, 1, 14), c.Limbs[0].DueOn)
	// 5.5 and 1.5 bales since the service, one record taken back.
	assert.EqualValues(t, 7000, w.counter("knife/turn").Limbs[0].Counted)
	// Fitted at 1219.50 h, checked at 1221.50 h.
	assert.Equal(t, -h("1.00"), w.counter("belt/tension").Limbs[0].Left)
	_, ran, _ := s.PieceHours("belt")
	assert.Equal(t, h("13.00"), ran)
	assert.Equal(t, BuildNot, w.task("belt/steel").Build, "the new belt has glass")
	assert.Nil(t, w.task("bolts/turn").putOff(), "it was due anew")
	assert.Equal(t, "upper-tarn", s.Machine.Customer)
	open := 0
	for i := range s.Remarks {
		if s.Remarks[i].Closed.IsZero() {
			open++
		}
	}
	assert.Equal(t, 4, open, "shields, a hole, a gap and a rung")
	assert.Len(t, s.Owners, 1)
}
