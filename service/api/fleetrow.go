package api

import (
	"fmt"
	"slices"
	"strings"

	table "github.com/hourbell/hourbell/internal/fleet"
	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
	"github.com/hourbell/hourbell/service/office"
)

// plan works out what a row asks for, and notes its mistakes. It reports whether
// the machine itself is in order.
func (r *readingFleet) plan(p *plan) bool {
	before := r.Count()
	if r.update {
		r.present(p)
	} else {
		r.newcomer(p)
	}
	if r.Count() > before || p.chart == nil {
		return false
	}
	p.sum = rowSum(p)
	p.whole = !r.update && p.there && r.o.Office.HasFleetRow(p.sum)
	r.traits(p)
	r.work(p)
	r.hook(p)
	return true
}

// refused notes what the service says of a field.
func (r *readingFleet) refused(at table.Place, err error) {
	f := fault.Of(err)
	if len(f.Fields) == 1 {
		r.Add(at, f.Fields[0].Why, "", f.Fields[0].Fix)
		return
	}
	r.Add(at, f.Text, "", "")
}

// newcomer reads the entry of a machine that is to be commissioned. One that is
// there already and the same will do.
func (r *readingFleet) newcomer(p *plan) {
	row := p.row
	if err := office.CheckID("machine", row.Machine.Text); err != nil {
		r.refused(row.Machine.Place, err)
	}
	r.place(p)
	r.chartOf(p)
	p.entry = office.Machine{ID: row.Machine.Text, Display: row.Display.Text, Customer: p.site.Customer, Site: p.site.ID}
	if p.edition != nil {
		p.entry.Chart = p.edition.Chart
	}
	have, err := r.o.Office.Machine(row.Machine.Text)
	if p.there = err == nil; p.there {
		r.sameAs(p, have)
	}
	if p.entry.Display == "" {
		p.entry.Display = row.Machine.Text
	}
}

// sameAs holds a row to the machine of its name that is there.
func (r *readingFleet) sameAs(p *plan, have office.Machine) {
	at := p.row.Machine.Place
	if _, err := r.o.Access.Machine(r.ctx, access.Commission, have.ID); err != nil {
		r.Add(at, fmt.Sprintf("%q can't be used", have.ID), "", "choose another id")
		return
	}
	if p.entry.Display == "" {
		p.entry.Display = have.Display
	}
	if p.site.ID != "" && p.edition != nil && p.entry != have {
		chart := have.Chart
		if chart == "" {
			chart = "none"
		}
		r.Add(at, fmt.Sprintf("machine %s is there already: %q at site %s, chart %s", have.ID, have.Display, have.Site, chart), "", "choose another id, or say the same of it")
		return
	}
	r.inForce(p, have.ID)
}

// inForce keeps the edition that a machine has, unless the row names another.
func (r *readingFleet) inForce(p *plan, machine string) {
	var chart *maintenance.Chart
	err := r.view(r.ctx, machine, func(st *maintenance.State) { chart = st.Chart })
	if err != nil && !isUnknown(err) {
		r.refused(p.row.Machine.Place, err)
		return
	}
	if chart != nil && !strings.Contains(p.row.Chart.Text, "/") {
		p.chart, p.edition = chart, nil
	}
}

// place reads the row's site and customer.
func (r *readingFleet) place(p *plan) {
	row := p.row
	switch {
	case row.Site.Text != "":
		site, err := r.o.Access.Site(r.ctx, access.Commission, "", row.Site.Text)
		if err != nil {
			r.refused(row.Site.Place, err)
			return
		}
		p.site = site
	case r.site != nil:
		p.site = *r.site
	case r.file.Has("site"):
		at := row.Site.Place
		if at.Line == 0 {
			at = row.Machine.Place
		}
		r.Add(at, "the row names no site", "the id of a site", "")
		return
	default:
		return // said of the whole file
	}
	if c := row.Customer; c.Text != "" && c.Text != p.site.Customer {
		r.Add(c.Place, fmt.Sprintf("site %s belongs to customer %s", p.site.ID, p.site.Customer), "", "name that customer, or a site of customer "+c.Text)
	}
}

// chartOf reads the row's chart: CHART for the newest edition, or CHART/EDITION.
func (r *readingFleet) chartOf(p *plan) {
	cell := p.row.Chart
	if cell.Text == "" {
		if r.file.Has("chart") {
			at := cell.Place
			if at.Line == 0 {
				at = p.row.Machine.Place
			}
			r.Add(at, "the row names no chart", "a chart, as CHART or CHART/EDITION", "")
		}
		return
	}
	e, known := r.charts[cell.Text]
	if !known {
		id, number, numbered := strings.Cut(cell.Text, "/")
		if !numbered {
			number = all
		}
		found, err := r.edition("chart", "charts/"+id+"/editions/"+number)
		if err != nil {
			r.refused(cell.Place, err)
			return
		}
		e = &found
		r.charts[cell.Text] = e
	}
	chart, err := r.compile(e)
	if err != nil {
		r.refused(cell.Place, err)
		return
	}
	p.edition, p.chart = e, chart
}

func (r *readingFleet) compile(e *office.Edition) (*maintenance.Chart, error) {
	if c := r.compiled[e.Hash]; c != nil {
		return c, nil
	}
	c, err := maintenance.DecodeChart(e.Compiled)
	if err != nil {
		return nil, fmt.Errorf("read edition %d of chart %s: %w", e.Edition, e.Chart, err)
	}
	r.compiled[e.Hash] = c
	return c, nil
}

// present reads the entry of a machine that is there.
func (r *readingFleet) present(p *plan) {
	row := p.row
	m, err := r.o.Access.Machine(r.ctx, access.Record, row.Machine.Text)
	if err != nil {
		r.refused(row.Machine.Place, err)
		return
	}
	p.entry, p.there = m, true
	if p.site, err = r.o.Office.Site(m.Site); err != nil {
		r.refused(row.Machine.Place, err)
		return
	}
	chart, _, _ := strings.Cut(row.Chart.Text, "/")
	for _, one := range []struct {
		cell       table.Cell
		what, have string
		said       string
	}{{row.Display, "name", m.Display, row.Display.Text}, {row.Customer, "customer", m.Customer, row.Customer.Text}, {row.Site, "site", m.Site, row.Site.Text}, {row.Chart, "chart", m.Chart, chart}} {
		if one.said != "" && one.said != one.have {
			r.Add(one.cell.Place, fmt.Sprintf("machine %s has the %s %q", m.ID, one.what, one.have), "", "leave it as it is: only traits, hours and rounds are set here")
		}
	}
	err = r.view(r.ctx, m.ID, func(st *maintenance.State) { p.chart = st.Chart })
	switch {
	case err != nil:
		r.refused(row.Machine.Place, err)
	case p.chart == nil:
		r.Add(row.Machine.Place, "machine "+m.ID+" has no chart yet", "", "put one in force first")
	}
}

// traits reads the answers about the machine's build.
func (r *readingFleet) traits(p *plan) {
	for _, t := range p.row.Traits {
		i := slices.IndexFunc(p.chart.Traits, func(d maintenance.TraitDef) bool { return d.ID == t.Name })
		if i < 0 {
			r.Add(t.Place, fmt.Sprintf("chart %s asks for no trait %q", p.chart.ID, t.Name), r.traitNames(p.chart), "")
			continue
		}
		value, want := traitValue(&p.chart.Traits[i], t.Text)
		if value == "" {
			r.Add(t.Place, fmt.Sprintf("%q is no answer to trait %s", t.Text, t.Name), want, "")
			continue
		}
		p.events = append(p.events, planned{key: r.key(p, "trait", t.Name, value), at: r.when(p), place: t.Place,
			body: &maintenance.Trait{Name: t.Name, Value: value, Person: access.Person(r.ctx)}})
	}
}

func (r *readingFleet) traitNames(c *maintenance.Chart) string {
	var names []string
	for i := range c.Traits {
		names = append(names, c.Traits[i].ID)
	}
	if len(names) == 0 {
		return "no trait, since the chart asks for none"
	}
	return "one of " + strings.Join(names, ", ")
}

// traitValue reads an answer, "" where it is none, and says what is wanted.
func traitValue(d *maintenance.TraitDef, text string) (value, want string) {
	switch d.Kind {
	case maintenance.TraitChoice:
		if slices.Contains(d.Choices, text) {
			return text, ""
		}
		return "", "one of " + strings.Join(d.Choices, ", ")
	case maintenance.TraitYesNo:
		if low := strings.ToLower(text); low == maintenance.Yes || low == maintenance.No {
			return low, ""
		}
		return "", "yes or no"
	}
	value = strings.Replace(text, ",", ".", 1)
	whole, frac, point := strings.Cut(strings.TrimPrefix(value, "-"), ".")
	if !onlyDigits(whole) || point && !onlyDigits(frac) || len(frac) > 3 || len(whole) > 12 {
		return "", "a number with at most three decimals"
	}
	return value, ""
}

func onlyDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// hook reads the attachment that is on the machine.
func (r *readingFleet) hook(p *plan) {
	cell := p.row.Attachment
	if cell.Text == "" || strings.EqualFold(cell.Text, "none") {
		return
	}
	a, err := r.o.Office.Attachment(cell.Text)
	switch before, twice := r.hooked[cell.Text]; {
	case err != nil || a.Customer != p.site.Customer:
		r.Add(cell.Place, fmt.Sprintf("customer %s has no attachment %q", p.site.Customer, cell.Text), "", "add it first")
		return
	case twice:
		r.Add(cell.Place, fmt.Sprintf("attachment %s is on a machine in line %d already", cell.Text, before.Line), "", "leave one of the two out")
		return
	case a.Machine != "" && a.Machine != p.entry.ID:
		r.Add(cell.Place, fmt.Sprintf("attachment %s is on machine %s", cell.Text, a.Machine), "", "take it off there first")
		return
	case !knowsAttachment(p.chart, a.Kind):
		r.Add(cell.Place, fmt.Sprintf("chart %s names no attachment %q, which %s is", p.chart.ID, a.Kind, cell.Text), "", "name it in the chart, or leave the field empty")
		return
	}
	r.hooked[cell.Text] = cell.Place
	p.attachment = a.ID
}
