package api

import (
	"context"
	"slices"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/fault"
)

type settings struct {
	pb.UnimplementedSettingServiceServer
	*API
}

// RecordSettings writes settings down.
func (s *settings) RecordSettings(ctx context.Context, q *pb.RecordSettingsRequest) (*pb.RecordSettingsResponse, error) {
	machine, err := s.onMachine(ctx, access.Record, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("left_moment", q.GetLeftMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	body := &maintenance.SettingsLeft{Person: access.Person(ctx)}
	for i, one := range q.GetSettings() {
		if one.GetLeft() == nil || one.GetLeft().Micro == nil && one.GetLeft().GetWord() == "" {
			return nil, fault.InvalidField(fieldAt("settings", i)+".left", "it is not said how it was left", "give a figure or a word")
		}
		left := maintenance.SettingLeft{Setting: one.GetSetting(), FoundWord: one.GetFound().GetWord(), LeftWord: one.GetLeft().GetWord()}
		left.Found, left.Left = boundOf(one.GetFound()), boundOf(one.GetLeft())
		body.Settings = append(body.Settings, left)
	}
	if body.Facts, err = factsOf("conditions", q.GetConditions()); err != nil {
		return nil, err
	}
	_, receipt, err := s.act(ctx, machine, q.GetRequestId(), at, body)
	if err != nil {
		return nil, err
	}
	out := &pb.RecordSettingsResponse{Repeated: receipt.Repeats > 0}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Settings = settingsOf(st) })
	return out, err
}

func boundOf(v *pb.SettingValue) maintenance.Bound {
	if v == nil || v.Micro == nil {
		return maintenance.Bound{}
	}
	return maintenance.Bound{Set: true, Micro: v.GetMicro()}
}

func valueOf(b maintenance.Bound, word string) *pb.SettingValue {
	switch {
	case b.Set:
		return &pb.SettingValue{Micro: new(b.Micro), Word: word}
	case word != "":
		return &pb.SettingValue{Word: word}
	}
	return nil
}

// ListSettings lists a machine's settings.
func (s *settings) ListSettings(ctx context.Context, q *pb.ListSettingsRequest) (*pb.ListSettingsResponse, error) {
	machine, err := s.onMachine(ctx, access.See, "parent", q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	out := &pb.ListSettingsResponse{}
	err = s.view(ctx, machine, func(st *maintenance.State) { out.Settings = settingsOf(st) })
	if err != nil {
		return nil, err
	}
	out.Settings, out.NextPageToken = slicePage(p, out.Settings, func(m *pb.MachineSetting) string { return m.Setting })
	return out, nil
}

// settingsOf gives the chart's settings and others that were written down, by id.
func settingsOf(st *maintenance.State) []*pb.MachineSetting {
	byID := map[string]*pb.MachineSetting{}
	words := settingWords(st)
	if st.Chart != nil {
		for i := range st.Chart.Settings {
			def := &st.Chart.Settings[i]
			byID[def.ID] = &pb.MachineSetting{Setting: def.ID, Call: def.Call, Unit: def.Unit, Point: def.Point, Choices: def.Choices, Words: words[def.ID], Cautions: pointCautions(st.Chart, def.Point)}
		}
	}
	for i := range st.Settings {
		seen := &st.Settings[i]
		if byID[seen.Setting] == nil {
			byID[seen.Setting] = &pb.MachineSetting{Setting: seen.Setting}
		}
		m := byID[seen.Setting]
		m.Found, m.Left = valueOf(seen.Found, seen.FoundWord), valueOf(seen.Left, seen.LeftWord)
		m.LeftMoment, m.Person, m.Conditions = momentOf(seen.At), seen.Person, factsTo(seen.Facts)
	}
	out := make([]*pb.MachineSetting, 0, len(byID))
	for _, m := range byID {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *pb.MachineSetting) int { return strings.Compare(a.Setting, b.Setting) })
	return out
}
