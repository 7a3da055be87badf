package api

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/access"
	"github.com/hourbell/hourbell/service/ingest/workday"
	"github.com/hourbell/hourbell/service/office"
)

type seasons struct {
	pb.UnimplementedSeasonServiceServer
	*API
}

const sitePattern = "customers/{customer}/sites/{site}"

// OpenSeason opens a season.
func (s *seasons) OpenSeason(ctx context.Context, q *pb.OpenSeasonRequest) (*pb.OpenSeasonResponse, error) {
	season, err := s.say(ctx, q.GetSite(), q.GetRequestId(), q.GetDate(), office.SeasonWord{Season: q.GetSeason(), Crop: q.GetCrop(), Open: true})
	return &pb.OpenSeasonResponse{Season: season}, err
}

// CloseSeason closes it.
func (s *seasons) CloseSeason(ctx context.Context, q *pb.CloseSeasonRequest) (*pb.CloseSeasonResponse, error) {
	season, err := s.say(ctx, q.GetSite(), q.GetRequestId(), q.GetDate(), office.SeasonWord{Season: q.GetSeason(), Crop: q.GetCrop()})
	return &pb.CloseSeasonResponse{Season: season}, err
}

// say keeps what was said, and tells the site's machines. Where one can't be
// told now, the word stands, and it is told later.
func (s *seasons) say(ctx context.Context, name, requestID string, date *pb.CivilDate, w office.SeasonWord) (*pb.SiteSeason, error) {
	parts, err := parse("site", sitePattern, name)
	if err != nil {
		return nil, err
	}
	site, err := s.o.Access.Site(ctx, access.Record, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", requestID); err != nil {
		return nil, err
	}
	w.Site = site.ID
	if w.Date, err = s.siteDate(site, date); err != nil {
		return nil, err
	}
	return s.keepSeason(ctx, w)
}

// keepSeason keeps words on one season of a site, in order, and tells its
// machines.
func (s *seasons) keepSeason(ctx context.Context, words ...office.SeasonWord) (*pb.SiteSeason, error) {
	var season office.Season
	var err error
	for _, w := range words {
		if season, err = s.o.Office.SaySeason(ctx, w); err != nil {
			return nil, err
		}
	}
	if _, err := s.tellSeasons(ctx, s.machinesAt(season.Site)...); err != nil {
		s.o.Log.ErrorContext(ctx, "not every machine could be told of a season; it is tried again", "site", season.Site, "error", err)
	}
	return s.seasonOf(season), nil
}

// CancelSeason takes a season back.
func (s *seasons) CancelSeason(ctx context.Context, q *pb.CancelSeasonRequest) (*pb.CancelSeasonResponse, error) {
	parts, err := parse("site", sitePattern, q.GetSite())
	if err != nil {
		return nil, err
	}
	site, err := s.o.Access.Site(ctx, access.Record, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	if _, err := parseUUID("request_id", q.GetRequestId()); err != nil {
		return nil, err
	}
	shut := office.SeasonWord{Site: site.ID, Season: q.GetSeason(), Crop: q.GetCrop(), Date: civil.None}
	open := shut
	open.Open = true
	season, err := s.keepSeason(ctx, shut, open)
	return &pb.CancelSeasonResponse{Season: season}, err
}

// siteDate reads a day; none is the site's work day now.
func (a *API) siteDate(site office.Site, date *pb.CivilDate) (civil.Date, error) {
	if date != nil {
		return parseDate("date", date)
	}
	turns, err := workday.New(site.Zone, site.TurnsAt)
	if err != nil {
		return civil.None, fmt.Errorf("tell the day at site %s: %w", site.ID, err)
	}
	return turns.At(a.now()).Date, nil
}

func (a *API) machinesAt(site string) (out []string) {
	for _, m := range a.o.Office.ListMachines("") {
		if m.Site == site {
			out = append(out, m.ID)
		}
	}
	return out
}

func (a *API) seasonOf(season office.Season) *pb.SiteSeason {
	site, _ := a.o.Office.Site(season.Site) // a season is of a site that is there
	out := &pb.SiteSeason{Site: siteName(site.Customer, site.ID), Season: season.Season, Crop: season.Crop, OpenDate: dateOf(season.Opens), CloseDate: dateOf(season.Closes)}
	told, machines := a.o.Office.SeasonReach(season)
	out.Told, out.Machines = int32(told), int32(machines)
	return out
}

// ListSeasons lists seasons.
func (s *seasons) ListSeasons(ctx context.Context, q *pb.ListSeasonsRequest) (*pb.ListSeasonsResponse, error) {
	customer, may, err := s.listParent(ctx, q.GetParent())
	if err != nil {
		return nil, err
	}
	p, err := newPager(q)
	if err != nil {
		return nil, err
	}
	var rows []office.Season
	for _, season := range s.o.Office.ListSeasons(customer) {
		if site, err := s.o.Office.Site(season.Site); err == nil && may(site.Customer) {
			rows = append(rows, season)
		}
	}
	rows, next := slicePage(p, rows, seasonKey)
	out := &pb.ListSeasonsResponse{NextPageToken: next}
	for _, season := range rows {
		out.Seasons = append(out.Seasons, s.seasonOf(season))
	}
	return out, nil
}

// seasonKey orders seasons by site, then the newest first.
func seasonKey(s office.Season) string {
	return fmt.Sprintf("%s/%07d/%s/%s", s.Site, int64(civil.Last)-int64(s.Opens), s.Season, s.Crop)
}

// SetStorage puts machines into storage, or takes them out.
func (s *seasons) SetStorage(ctx context.Context, q *pb.SetStorageRequest) (*pb.SetStorageResponse, error) {
	machines, err := s.stored(ctx, q.GetName())
	if err != nil {
		return nil, err
	}
	at, err := parseMoment("moment", q.GetMoment(), s.o.Now())
	if err != nil {
		return nil, err
	}
	id, err := s.actID(q.GetRequestId())
	if err != nil {
		return nil, err
	}
	body := &maintenance.FieldEvent{Event: maintenance.EventStorageIn, Person: access.Person(ctx)}
	if q.GetOut() {
		body.Event = maintenance.EventStorageOut
	}
	out := &pb.SetStorageResponse{}
	var errs []error
	for _, m := range machines {
		_, err := s.o.Ingest.Act(ctx, m, id, at, body)
		if isUnknown(err) && len(machines) > 1 {
			continue // it is just being commissioned
		}
		errs = append(errs, err)
		out.Machines = append(out.Machines, machineName(m))
	}
	return out, errors.Join(errs...)
}

// stored asks access for a machine, or for a site and so all of its machines.
func (s *seasons) stored(ctx context.Context, name string) ([]string, error) {
	if strings.HasPrefix(name, "machines/") {
		id, err := parseMachine("name", name)
		if err != nil {
			return nil, err
		}
		_, err = s.o.Access.Machine(ctx, access.Record, id)
		return []string{id}, err
	}
	parts, err := parse("name", sitePattern, name)
	if err != nil {
		return nil, err
	}
	site, err := s.o.Access.Site(ctx, access.Record, parts[0], parts[1])
	if err != nil {
		return nil, err
	}
	return s.machinesAt(site.ID), nil
}
