package api

import "github.com/hourbell/hourbell/internal/maintenance"

// carryOut gives what goes with an attachment (the chart's id of it) to its next
// machine: what its own meters show, and the standing records of the tasks at its
// points.
func carryOut(st *maintenance.State, attachment string) (shown []maintenance.MeterShown, carried []maintenance.CarriedRecord) {
	if st.Chart == nil {
		return nil, nil
	}
	own := make(map[string]bool)
	for _, def := range st.Chart.Meters {
		own[def.ID] = def.Of == attachment
	}
	for i := range st.Meters {
		if m := &st.Meters[i]; own[m.ID] && len(m.Lives) > 0 {
			shown = append(shown, maintenance.MeterShown{Meter: m.ID, Shown: m.Lives[len(m.Lives)-1].Last})
		}
	}
	at := make(map[string]bool)
	for i := range st.Chart.Points {
		at[st.Chart.Points[i].ID] = st.Chart.Points[i].Attachment == attachment
	}
	for i := range st.Tasks {
		if i >= len(st.Chart.Tasks) || !at[st.Chart.Tasks[i].Point] {
			continue
		}
		carried = append(carried, standing(&st.Tasks[i], own)...)
	}
	return shown, carried
}

// standing are a task's records that were not taken back.
func standing(t *maintenance.Task, own map[string]bool) (out []maintenance.CarriedRecord) {
	for i := range t.Records {
		r := &t.Records[i]
		if !r.Void.IsZero() {
			continue
		}
		c := maintenance.CarriedRecord{Record: r.Record, Task: t.ID, At: r.At, Date: r.Date, Person: r.Person}
		for _, h := range r.Hours {
			if own[h.Meter] {
				c.Hours = append(c.Hours, h)
			}
		}
		out = append(out, c)
	}
	return out
}
