package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

type seasonCmd struct {
	Open   seasonOpenCmd   `cmd:"" help:"Open a season at a site, today or on a day to come. For the crew boss."`
	Close  seasonCloseCmd  `cmd:"" help:"Close a season. For the crew boss."`
	Cancel seasonCancelCmd `cmd:"" help:"Take back a season that was said by mistake. For the crew boss."`
	List   seasonListCmd   `cmd:"" help:"When does which season open and close, and who was told? For the workshop manager."`
}

type seasonWords struct {
	Site   string `arg:"" help:"The site's id."`
	Season string `arg:"" help:"What it is called, as 2031."`
	Crop   string `help:"Of this crop; of whatever is grown where left out." placeholder:"CROP"`
	On     string `help:"The day, as 2031-07-14; today where left out." placeholder:"DATE"`
}

// read gives the site's name and the day.
func (c *seasonWords) read(s *session) (site string, date *pb.CivilDate, err error) {
	if c.On != "" {
		day, err := time.Parse(time.DateOnly, c.On)
		if err != nil {
			return "", nil, fmt.Errorf("--on %q: want a day as 2031-07-14", c.On)
		}
		date = &pb.CivilDate{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}
	}
	site, err = s.siteName(c.Site)
	return site, date, err
}

type seasonOpenCmd struct{ seasonWords }

// Run opens the season.
func (c *seasonOpenCmd) Run(s *session) error {
	site, date, err := c.read(s)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewSeasonServiceClient, pb.SeasonServiceClient.OpenSeason, &pb.OpenSeasonRequest{Site: site, Season: c.Season, Crop: c.Crop, Date: date, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printSeasons(w, []*pb.SiteSeason{a.Season}) })
}

type seasonCloseCmd struct{ seasonWords }

// Run closes the season.
func (c *seasonCloseCmd) Run(s *session) error {
	site, date, err := c.read(s)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewSeasonServiceClient, pb.SeasonServiceClient.CloseSeason, &pb.CloseSeasonRequest{Site: site, Season: c.Season, Crop: c.Crop, Date: date, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { printSeasons(w, []*pb.SiteSeason{a.Season}) })
}

type seasonCancelCmd struct {
	Site   string `arg:"" help:"The site's id."`
	Season string `arg:"" help:"What it is called."`
	Crop   string `help:"Of this crop; of whatever is grown where left out." placeholder:"CROP"`
}

// Run takes the season back.
func (c *seasonCancelCmd) Run(s *session) error {
	site, err := s.siteName(c.Site)
	if err != nil {
		return err
	}
	a, err := call(s, pb.NewSeasonServiceClient, pb.SeasonServiceClient.CancelSeason, &pb.CancelSeasonRequest{Site: site, Season: c.Season, Crop: c.Crop, RequestId: requestID()})
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) { fmt.Fprintf(w, "Season %s is taken back at %s.\n", c.Season, lastPart(site)) })
}

type seasonListCmd struct {
	Customer string `arg:"" optional:"" help:"Only this customer's."`
}

// Run lists the seasons.
func (c *seasonListCmd) Run(s *session) error {
	all := &pb.ListSeasonsResponse{}
	err := pages(func(token string) (string, error) {
		a, err := call(s, pb.NewSeasonServiceClient, pb.SeasonServiceClient.ListSeasons, &pb.ListSeasonsRequest{Parent: under("customers", or(c.Customer, "-")), PageSize: pageSize, PageToken: token})
		all.Seasons = append(all.Seasons, a.GetSeasons()...)
		return a.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	return s.out.document(all, func(w io.Writer) { printSeasons(w, all.Seasons) })
}

func printSeasons(w io.Writer, seasons []*pb.SiteSeason) {
	t := newTable("SITE", "SEASON", "CROP", "OPENS", "CLOSES", "TOLD")
	for _, one := range seasons {
		t.add(lastPart(one.Site), one.Season, orDash(one.Crop), dateText(one.OpenDate, "-"), dateText(one.CloseDate, "-"), fmt.Sprintf("%d of %s", one.Told, counted(int(one.Machines), "machine")))
	}
	t.print(w, "No seasons. Open one with `hourbell season open SITE SEASON --crop CROP --on DATE`.")
}

type storageCmd struct {
	In  storageInCmd  `cmd:"" help:"Write down that machines went into storage. For the technician."`
	Out storageOutCmd `cmd:"" help:"Write down that machines came out of storage. For the technician."`
}

type storageWords struct {
	Machine string `arg:"" optional:"" help:"The machine's id."`
	Site    string `help:"All machines of this site." placeholder:"SITE"`
	At      string `help:"When: RFC 3339, \"2031-07-14 18:30\" or 18:30; now where left out." placeholder:"TIME"`
	ID      string `help:"UUID of the act, to say the same thing again." placeholder:"UUID"`
}

type storageInCmd struct{ storageWords }

// Run says that they went in.
func (c *storageInCmd) Run(s *session) error { return c.store(s, false) }

type storageOutCmd struct{ storageWords }

// Run says that they came out.
func (c *storageOutCmd) Run(s *session) error { return c.store(s, true) }

func (c *storageWords) store(s *session, out bool) (err error) {
	q := &pb.SetStorageRequest{Out: out, RequestId: or(c.ID, requestID())}
	switch {
	case (c.Machine == "") == (c.Site == ""):
		return fmt.Errorf("name a machine, or all machines of a site with --site")
	case c.Machine != "":
		q.Name = under("machines", c.Machine)
	default:
		if q.Name, err = s.siteName(c.Site); err != nil {
			return err
		}
	}
	if q.Moment, err = momentAt(s, c.At); err != nil {
		return err
	}
	a, err := call(s, pb.NewSeasonServiceClient, pb.SeasonServiceClient.SetStorage, q)
	if err != nil {
		return err
	}
	return s.out.document(a, func(w io.Writer) {
		ids := make([]string, len(a.Machines))
		for i, m := range a.Machines {
			ids[i] = lastPart(m)
		}
		fmt.Fprintf(w, "Written down for %s: %s\n", counted(len(ids), "machine"), orDash(strings.Join(ids, ", ")))
	})
}
