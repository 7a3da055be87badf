package main

import (
	"fmt"
	"io"
	"strconv"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type measuresCmd struct {
	Machine string `arg:"" help:"The machine's id."`
	Task    string `arg:"" optional:"" help:"Only what this task measures, as POINT/TASK."`
	Values  bool   `help:"Every value, the latest first."`
}

// Run lists what was measured.
func (c *measuresCmd) Run(s *session) error {
	q := &pb.ListMeasuresRequest{Parent: under("machines", c.Machine), PageSize: pageSize}
	if c.Task != "" {
		name, err := taskName(c.Machine, c.Task)
		if err != nil {
			return err
		}
		q.Task = name
	}
	all := &pb.ListMeasuresResponse{}
	err := pages(func(token string) (string, error) {
		q.PageToken = token
		a, err := call(s, pb.NewMeasureServiceClient, pb.MeasureServiceClient.ListMeasures, q)
		all.Spots = append(all.Spots, a.GetSpots()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) {
		if c.Values {
			printValues(w, all.Spots)
			return
		}
		printMeasures(w, all.Spots)
	})
}

func printMeasures(w io.Writer, list []*pb.MeasuredSpot) {
	var notes cautions
	t := newTable("TASK", "SPOT", "LAST", "TREND", "CAUTIONS")
	for _, m := range list {
		t.add(taskText(m.Task), orDash(m.Spot), orDash(m.Stands), m.Trend.GetWords(), notes.marks(m.Cautions))
	}
	t.print(w, "The machine's chart measures nothing.")
	notes.print(w)
}

func printValues(w io.Writer, list []*pb.MeasuredSpot) {
	var notes cautions
	t := newTable("TASK", "SPOT", "ON", "HOURS", "VALUE", "", "RECORD", "CAUTIONS")
	for _, m := range list {
		for i := len(m.Values) - 1; i >= 0; i-- {
			v := m.Values[i]
			hours, how := "not known", "found"
			if v.HoursMs != nil {
				hours = hoursText(*v.HoursMs)
			}
			if v.Left {
				how = "left"
			}
			if v.Voided {
				how += ", taken back"
			}
			t.add(taskText(m.Task), orDash(m.Spot), dateText(v.MeasuredDate, momentText(v.MeasuredMoment, "-")), hours, valueText(m, v), how, short(v.Record), notes.marks(m.Cautions))
		}
	}
	t.print(w, "Nothing was measured.")
	notes.print(w)
}

func valueText(m *pb.MeasuredSpot, v *pb.MeasuredValue) string {
	if v.Gauge != "" {
		return "the gauge " + v.Gauge
	}
	return fmt.Sprintf("%s %s", strconv.FormatFloat(float64(v.Micro)/1e6, 'f', -1, 64), m.Unit)
}
