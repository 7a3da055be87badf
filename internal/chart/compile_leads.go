package chart

import (
	"fmt"
	"slices"

	"github.com/hourbell/hourbell/internal/maintenance"
)

func (c *compiler) leads(root *value) {
	for _, e := range root.entries("leads") {
		v := e.value
		if v == nil {
			continue
		}
		def := maintenance.LeadDef{
			ID: e.key.text, Call: v.str("call"), Codes: c.unlike(v, "codes"), Findings: c.unlike(v, "findings"),
			Remarks: c.unlike(v, "remarks"), NoHelp: c.unlike(v, "no_help"),
		}
		if def.Call == "" {
			def.Call = spoken(def.ID)
		}
		if d := v.get("drive"); d != nil {
			def.Drive = []maintenance.DriveFindDef{c.driveFind(d)}
		}
		for _, look := range v.list("look") {
			if look != nil {
				def.Look = append(def.Look, maintenance.LookDef{Point: look.str("at"), If: c.leadConds(look.get("if")), Why: look.str("why")})
			}
		}
		c.chart.Leads = append(c.chart.Leads, def)
	}
}

func (c *compiler) driveFind(v *value) maintenance.DriveFindDef {
	def := maintenance.DriveFindDef{
		Drive: v.str("of"), LearnAfter: v.str("learn_after"), FindOver: uint32(v.whole("find_over_pct", 0)),
		ForMinutes: uint32(v.whole("for_minutes", 0)), Alarm: uint32(v.whole("alarm_pct", 0)),
	}
	if items := c.defs.sets[def.LearnAfter]; len(items) > 0 {
		c.bad(v.get("learn_after"), def.LearnAfter+" has several items", list(items, "or"), "")
	}
	if def.Alarm != 0 && def.FindOver >= def.Alarm {
		c.bad(v.get("find_over_pct"), "found no sooner than the machine's own alarm", "less than alarm_pct", "")
	}
	return def
}

func (c *compiler) leadConds(v *value) []maintenance.LeadCond {
	if v == nil {
		return nil
	}
	var conds []maintenance.LeadCond
	within := uint32(v.whole("within_s", 0))
	if s := v.str("shift"); s != "" {
		conds = append(conds, maintenance.LeadCond{Kind: maintenance.LeadShift, Shift: s})
	}
	if e := v.str("since"); e != "" {
		conds = append(conds, maintenance.LeadCond{Kind: maintenance.LeadSince, Name: e})
	}
	if k := v.str("with"); k != "" {
		conds = append(conds, maintenance.LeadCond{Kind: maintenance.LeadWith, Name: k, Seconds: within})
	}
	if k := v.str("without"); k != "" {
		conds = append(conds, maintenance.LeadCond{Kind: maintenance.LeadWithout, Name: k, Seconds: within})
	}
	if v.has("with") && v.str("with") == v.str("without") {
		c.bad(v.get("without"), "with and without the same code", "another code", "")
	}
	for _, cond := range c.conds(v, "facts", nil) {
		conds = append(conds, maintenance.LeadCond{Kind: maintenance.LeadFact, Cond: cond})
	}
	return conds
}

func (c *compiler) settings(root *value) {
	for _, e := range root.entries("settings") {
		v := e.value
		if v == nil {
			continue
		}
		def := maintenance.SettingDef{ID: e.key.text, Call: v.str("call"), Unit: v.str("unit"), Point: v.str("at"), Choices: c.unlike(v, "choose")}
		if def.Call == "" {
			def.Call = spoken(def.ID)
		}
		for _, s := range v.list("suits") {
			if s != nil {
				def.Suits = append(def.Suits, c.suit(v, s, def))
			}
		}
		c.chart.Settings = append(c.chart.Settings, def)
	}
}

func (c *compiler) suit(setting, v *value, def maintenance.SettingDef) maintenance.SuitDef {
	s := maintenance.SuitDef{If: c.conds(v, "if", nil), Word: v.str("choose"), Say: v.str("say")}
	s.Lo, s.Hi = v.get("set").bounds()
	switch {
	case v.has("set") && setting.keyed("choose"):
		c.bad(v.get("set"), "a figure for a setting that is a word", `"choose" with `+list(def.Choices, "or"), "")
	case v.has("choose") && !setting.keyed("choose"):
		c.bad(v.get("choose"), "a word for a setting that is a figure", `"set" with a number or [lowest, highest]`, "")
	case v.has("choose") && setting.has("choose") && !slices.Contains(def.Choices, s.Word):
		c.bad(v.get("choose"), fmt.Sprintf("%s is never %s", def.ID, shown(s.Word)), list(def.Choices, "or"), didYouMean(s.Word, def.Choices))
	}
	return s
}
