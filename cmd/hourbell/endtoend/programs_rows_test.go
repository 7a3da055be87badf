package endtoend_test

import "path/filepath"

// used is one command as programs use it: with arguments that it answers, and
// with some that it must refuse.
type used struct {
	name    string
	ok, bad []string
	says    string // the refusal's one error must match it
}

// The ids of acts that are said again, and one that nothing has.
const (
	recordUUID = "7d9f6a0e-3a51-4a8e-8a5b-5f0c7c1d2e3f"
	noID       = "ffffffff"
)

// programsCommands is every command but those aside, in an order in which each finds what
// it needs. What stands in braces is looked up, see filled; dir has the files
// that programsFiles writes.
func programsCommands(dir string) (all []used) {
	for _, family := range [][]used{siteCommands(), chartFileCommands(dir), serviceCommands(), chartCommands(dir), fleetCommands(), attachmentCommands(),
		fieldCommands(), recordCommands(dir), remarkCommands(dir), walkCommands(dir), editionCommands(dir), crewCommands(), seasonCommands(), personCommands()} {
		all = append(all, family...)
	}
	return all
}

func siteCommands() []used {
	return []used{
		{"customer add", []string{"alder"}, []string{"Not An Id"}, `customer id: "Not An Id"`},
		{"customer list", nil, []string{"more"}, `unexpected argument more`},
		{"site add", []string{"alder", "ford", "--zone", "Etc/UTC"}, []string{"alder", "mill", "--zone", "Nowhere/None"}, `Nowhere/None`},
		{"site list", nil, []string{"beech"}, `beech`},
	}
}

// chartFileCommands need no service, but for the last.
func chartFileCommands(dir string) []used {
	chartFile := filepath.Join(streamsDir, streamChart)
	return []used{
		{"chart check", []string{chartFile}, []string{"none.points.yaml"}, `none.points.yaml`},
		{"chart compile", []string{chartFile, "--out", filepath.Join(dir, "rook-8.hbchart")}, []string{"none.points.yaml"}, `none.points.yaml`},
		{"chart import", []string{"../../../internal/chart/testdata/invented.dbc"}, []string{chartFile + "x"}, `rook-8`},
		{"chart import", []string{chartFile}, []string{"none.points.yaml"}, `none.points.yaml`},
	}
}

func serviceCommands() []used {
	return []used{
		{"chart print", []string{"rook-8"}, []string{"jay-1"}, `jay-1`},
		{"chart list", nil, []string{"jay-1"}, `jay-1`},
		{"machine add", []string{"crake", "--site", "ford", "--chart", "rook-8"}, []string{"crane", "--site", "nowhere"}, `nowhere`},
		{"machine list", nil, []string{"--customer", "beech"}, `beech`},
		{"machine show", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"machine take-chart", []string{"crake", "rook-8/1"}, []string{"crake", "jay-1"}, `jay-1`},
		{"enrol", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"agents list", nil, []string{"--machine", "nothing"}, `no machine nothing`},
		{"agents suspend", []string{"crake", "{agent}"}, []string{"crake", noID}, `no agent`},
		{"agents resume", []string{"crake", "{agent}"}, []string{"crake", noID}, `no agent`},
		{"agents revoke", []string{"crake", "{agent}"}, []string{"crake", noID}, `no agent`},
		{"hours", []string{"crake", "engine", "1200"}, []string{"crake", "engine", "much"}, `"much": want digits`},
		{"readings", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"days", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"done", []string{"crake", "--round", "grease-10", "--hours", "engine=1189.5", "--id", recordUUID}, []string{"crake", "--round", "grease-99"}, `grease-99`},
		{"log", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"due", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"explain", []string{"crake", "knife-drive/grease"}, []string{"crake", "knife-drive/polish"}, `no task knife-drive/polish`},
		{"notices", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"notice later", []string{"crake", "{notice}", "--in", "1"}, []string{"crake", noID}, `no notice`},
		{"notice mine", []string{"crake", "{notice}"}, []string{"crake", noID}, `no notice`},
		{"void", []string{"crake", recordUUID[:8], "--why", "another machine"}, []string{"crake", noID, "--why", "x"}, `no record`},
		{"hours", []string{"crake", "engine", "1290"}, []string{"crake", "wheel", "5"}, `wheel`},
		{"doubts", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"doubt answer", []string{"crake", "{doubt}", "wrong"}, []string{"crake", noID, "wrong"}, `no doubt`},
		{"warnings", []string{"crake"}, []string{"--changes"}, `--changes needs a machine`},
		{"watch", []string{"crake", "--once"}, []string{"nothing"}, `no machine nothing`},
		{"verify", []string{"crake"}, []string{"nothing"}, `no machine nothing`},
		{"server", nil, []string{"more"}, `unexpected argument more`},
	}
}

// chartCommands bring the richer chart and its machine, dunlin.
func chartCommands(dir string) []used {
	next := nextEdition(dir)
	return []used{
		{"chart schema", nil, []string{"more"}, `unexpected argument more`},
		{"chart import", []string{richChart}, []string{"testdata/dunlin.points.yaml"}, `no edition teal-4/2`},
		{"chart compare", []string{"teal-4/1", next}, []string{"teal-4/1", "teal-4/9"}, `no edition teal-4/9`},
		{"machine add", []string{"dunlin", "--site", "ford", "--chart", "teal-4/1"}, []string{"dunlin", "--site", "ford", "--chart", "teal-4/9"}, `no edition teal-4/9`},
		{"hours", []string{"dunlin", "engine", "410"}, []string{"dunlin", "beater", "5"}, `beater`},
		{"chart table", []string{"dunlin"}, []string{"nothing"}, `no machine nothing`},
	}
}

func fleetCommands() []used {
	return []used{
		{"fleet check", []string{"testdata/fleet.csv"}, []string{"testdata/torn.csv"}, `torn.csv:2:17: there is no chart teel-4`},
		{"fleet take", []string{"testdata/fleet.csv"}, []string{"testdata/torn.csv"}, `torn.csv:2:17: there is no chart teel-4`},
		{"fleet set", []string{"testdata/later.csv"}, []string{"testdata/none.csv"}, `none.csv`},
	}
}

func attachmentCommands() []used {
	return []used{
		{"attachment add", []string{"alder", "lifter-2", "--kind", "swather"}, []string{"beech", "lifter-3", "--kind", "swather"}, `no customer beech`},
		{"attachment put-on", []string{"lifter-2", "dunlin"}, []string{"lifter-9", "dunlin"}, `no attachment "lifter-9"`},
		{"attachment list", nil, []string{"beech"}, `beech`},
		{"attachment take-off", []string{"lifter-2"}, []string{"lifter-9"}, `no attachment "lifter-9"`},
	}
}

// fieldCommands are what is told from the field, and asked there.
func fieldCommands() []used {
	return []used{
		{"tell", []string{"dunlin", "beater-wrapped", "--minutes", "7"}, []string{"dunlin", "flood"}, `knows no event flood`},
		{"tell", []string{"dunlin", "trailers", "--amount", "3"}, []string{"dunlin", "trailers", "--amount", "some"}, `want digits`},
		{"conditions", []string{"dunlin", "--tell", "awns=many"}, []string{"dunlin", "--tell", "awns=blue"}, `say one of few, many`},
		{"build", []string{"dunlin", "--answer", "beater_sheave=cast"}, []string{"dunlin", "--answer", "beater_sheave=round"}, `say one of cast, pressed`},
		{"set", []string{"dunlin", "--found", "beater-gap=11", "--left", "beater-gap=8"}, []string{"dunlin", "--left", "beater-gap=wide"}, `give a figure in mm`},
		{"settings", []string{"dunlin"}, []string{"nothing"}, `no machine nothing`},
		{"look", []string{"dunlin", "--code", "beater-lags"}, []string{"--code", "beater-lags"}, `name a machine, or a chart`},
		{"cause", []string{"dunlin", "polished flanks", "--point", "beater-belt", "--lead", "beater-slow"}, []string{"dunlin", "x", "--point", "mudguard"}, `mudguard`},
		{"gun", []string{"dunlin", "red-gun", "--grams", "0.9"}, []string{"dunlin", "red-gun", "--grams", "much"}, `want digits`},
		{"postpone", []string{"dunlin", "--task", "beater-post/grease", "--for", "2", "--meter", "engine", "--why", "the last headland"}, []string{"dunlin", "--task", "beater-post/grease", "--for", "2"}, `no reason is given`},
		{"ready", nil, []string{"nothing"}, `no machine nothing`},
	}
}

// recordCommands let an operator write what only a technician may do, so that
// there is a record to confirm.
func recordCommands(dir string) []used {
	token := wagtailToken(dir)
	return []used{
		{"person token", []string{"wagtail", "--out", token}, []string{"Not A Name"}, `Not A Name`},
		{"person grant", []string{"wagtail", "see", "record", "--customer", "alder"}, []string{"wagtail", "see", "--customer", "beech"}, `beech`},
		{"person part", []string{"wagtail", "operator"}, []string{"Not A Name", "dealer"}, `is no pseudonym`},
		{"done", []string{"dunlin", "--task", "beater-belt/fit", "--part", "beater-belt=bb-3", "--off-why", "worn-out", "--token-file", token}, []string{"dunlin", "--task", "beater-belt/fit", "--off-why", "old", "--token-file", token}, `must be one of`},
		{"person part", []string{"keeper", "technician"}, []string{"keeper", "boss"}, `must be one of`},
		{"person part", []string{"wagtail", "none"}, []string{"wagtail", "boss"}, `must be one of`},
		{"confirm", []string{"dunlin", "{record}"}, []string{"dunlin", "{record}", "--token-file", token}, `wagtail has no part in the trade.*person part`},
		{"measures", []string{"dunlin", "--values"}, []string{"dunlin", "nowhere/look"}, `nowhere/look`},
		{"parts", []string{"dunlin", "--history"}, []string{"nothing"}, `no machine nothing`},
		{"done", []string{"dunlin", "--task", "beater-post/grease", "--found", "beater-post/grease=dry", "--used", "red-grease=2 stroke", "--gun", "red-gun", "--shields-off", "1", "--shields-on", "1"}, []string{"dunlin", "--task", "beater-post/grease", "--found", "beater-post/grease=wet"}, `say dry, fine or purged`},
		{"review", []string{"dunlin", "beater-post/grease"}, []string{"dunlin", "beater-post/polish"}, `no task beater-post/polish`},
		{"adherence", []string{"dunlin"}, []string{"nothing"}, `no machine nothing`},
	}
}

func remarkCommands(dir string) []used {
	picture := filepath.Join(dir, "lip.png")
	return []used{
		{"remark add", []string{"dunlin", "the lip weeps", "--verdict", "watch", "--point", "beater-post", "--picture", picture}, []string{"dunlin", "x", "--verdict", "run", "--picture", richChart}, `neither a JPEG nor a PNG`},
		{"remark show", []string{"dunlin", "{remark}"}, []string{"dunlin", noID}, `no remark`},
		{"remark change", []string{"dunlin", "{remark}", "--verdict", "do-not-run", "--why", "it runs now"}, []string{"dunlin", "{remark}", "--verdict", "perhaps"}, `must be one of`},
		{"remark carry", []string{"dunlin", "{remark}"}, []string{"dunlin", noID}, `no remark`},
		{"remark photo", []string{"dunlin", "{remark}", "--out", filepath.Join(dir, "fetched.jpg")}, []string{"dunlin", "{remark}", noID}, `no picture`},
		{"remark close", []string{"dunlin", "{remark}", "--why", "a new lip"}, []string{"dunlin", noID, "--why", "x"}, `no remark`},
		{"remark reopen", []string{"dunlin", "{remark}", "--why", "it weeps again"}, []string{"dunlin", noID, "--why", "x"}, `no remark`},
		{"remarks", []string{"dunlin"}, []string{"nothing"}, `no machine nothing`},
	}
}

func walkCommands(dir string) []used {
	return []used{
		{"walk sheet", []string{"dunlin", "before-peas"}, []string{"dunlin", "yule"}, `before-peas`},
		{"walk begin", []string{"dunlin", "before-peas"}, []string{"dunlin", "yule"}, `before-peas`},
		{"walk answer", []string{"dunlin", "--in-order", "beater-post/grease", "--remark", "beater-belt/look=a nick", "--verdict", "watch"}, []string{"dunlin", "--remark", "beater-belt/look=a nick"}, `wants a --verdict`},
		{"walk show", []string{"dunlin", "--walk", "{walk}"}, []string{"nothing"}, `no machine nothing`},
		{"walk sign", []string{"dunlin", "--as", "second", "--token-file", wagtailToken(dir)}, []string{"dunlin", "--walk", "{walk}"}, `signed by wagtail`},
		{"walk begin", []string{"dotterel", "before-peas"}, []string{"nothing", "before-peas"}, `no machine nothing`},
		{"walk leave", []string{"dotterel", "--why", "hail"}, []string{"dotterel", "--walk", noID, "--why", "hail"}, `no walk-round`},
		{"walk list", nil, []string{"nothing"}, `no machine nothing`},
	}
}

// editionCommands put the richer chart's next edition in force, and machines out
// of the customer's hands.
func editionCommands(dir string) []used {
	next := nextEdition(dir)
	return []used{
		{"chart import", []string{next}, []string{"testdata/fleet.csv"}, `NAME.points.yaml`},
		{"chart preview", []string{next}, []string{"teal-4/9"}, `no edition teal-4/9`},
		{"chart take", []string{"teal-4/2"}, []string{"teal-4/9"}, `no edition teal-4/9`},
		{"chart exception", []string{"dunlin", "testdata/dunlin.points.yaml"}, []string{"dotterel", "testdata/dunlin.points.yaml"}, `no exception for machine dotterel`},
		{"chart copy", []string{"dotterel", "crake"}, []string{"dotterel", "nothing"}, `no machine nothing`},
		{"machine hand-over", []string{"dotterel", "--to-site", "yard"}, []string{"dotterel", "--to-site", "nowhere"}, `no site "nowhere"`},
	}
}

func crewCommands() []used {
	return []used{
		{"crew add", []string{"alder", "earlies"}, []string{"beech", "lates"}, `no customer beech`},
		{"crew join", []string{"earlies", "wagtail"}, []string{"lates", "wagtail"}, `no crew "lates"`},
		{"crew list", nil, []string{"beech"}, `beech`},
		{"crew leave", []string{"earlies", "wagtail"}, []string{"lates", "wagtail"}, `no crew "lates"`},
		{"shift set", []string{"dawn", "--crew", "earlies", "--from", "04:30", "--to", "12:15"}, []string{"dawn", "--crew", "earlies", "--from", "4", "--to", "12:15"}, `want a clock time`},
		{"shift list", nil, []string{"beech"}, `beech`},
		{"shift end", []string{"dawn"}, []string{"dusk"}, `no shift "dusk"`},
	}
}

func seasonCommands() []used {
	return []used{
		{"season open", []string{"ford", "2036", "--on", "2036-06-02"}, []string{"ford", "2036", "--on", "soon"}, `want a day`},
		{"season close", []string{"ford", "2036", "--on", "2036-08-30"}, []string{"ford", "2037"}, `was never opened`},
		{"season list", nil, []string{"beech"}, `beech`},
		{"season cancel", []string{"ford", "2036"}, []string{"ford", "2037"}, `was never opened`},
		{"storage in", []string{"dunlin"}, []string{"dunlin", "--site", "ford"}, `name a machine, or all machines of a site`},
		{"storage out", []string{"--site", "ford"}, []string{"nothing"}, `no machine nothing`},
	}
}

func personCommands() []used {
	return []used{
		{"person token", []string{"robin"}, []string{"Not A Name"}, `Not A Name`},
		{"person grant", []string{"robin", "see", "--customer", "alder"}, []string{"robin", "everything"}, `must be one of`},
		{"person list", nil, []string{"more"}, `unexpected argument more`},
		{"person end", []string{"robin"}, []string{"robyn"}, `robyn`},
	}
}
