package main

import (
	"fmt"
	"io"

	"github.com/hourbell/hourbell/internal/chart"
	"github.com/hourbell/hourbell/internal/maintenance"
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
	"github.com/hourbell/hourbell/service/api"
)

// overFlag names the files that a file of differences stands on.
type overFlag struct {
	Over []string `help:"The file of the chart that this one differs from, where it begins with sister_of or exception_for; give it again for each." placeholder:"FILE"`
}

// chartFile is a chart in a file, read without a service.
type chartFile struct {
	name string
	text []byte
}

// readChart reads a chart's file, over the files that it stands on.
func readChart(name string, over []string) (*chart.Document, error) {
	s := &shelf{files: make(map[string]chartFile)}
	if err := s.fill(over); err != nil {
		return nil, err
	}
	text, err := readFile(name)
	if err != nil {
		return nil, err
	}
	return chart.ReadOver(name, text, s.base)
}

// shelf holds the files that others may stand on, by chart and edition.
type shelf struct {
	files  map[string]chartFile
	missed bool // a base was asked for that is not there
}

func editionKey(id string, edition uint32) string { return fmt.Sprintf("%s/%d", id, edition) }

// base gives the source of an edition.
func (s *shelf) base(id string, edition uint32) ([]byte, error) {
	f, ok := s.files[editionKey(id, edition)]
	if !ok {
		s.missed = true
		return nil, &chart.Missing{Why: "its file is not given", Do: "name its file with --over FILE"}
	}
	return f.text, nil
}

// fill reads the files whatever order they are named in, since one may stand on
// another.
func (s *shelf) fill(names []string) error {
	var waiting []chartFile
	for _, name := range names {
		text, err := readFile(name)
		if err != nil {
			return err
		}
		waiting = append(waiting, chartFile{name, text})
	}
	for len(waiting) > 0 {
		left, err := s.take(waiting)
		if err != nil {
			return err
		}
		waiting = left
	}
	return nil
}

// take puts those of the files on the shelf whose bases are there, and gives
// the others back.
func (s *shelf) take(waiting []chartFile) (left []chartFile, err error) {
	var last error
	for _, f := range waiting {
		s.missed = false
		doc, err := chart.ReadOver(f.name, f.text, s.base)
		switch {
		case err != nil && s.missed:
			left, last = append(left, f), err
			continue
		case err != nil:
			return nil, err
		}
		if err := s.put(f, doc.Chart); err != nil {
			return nil, err
		}
	}
	if len(left) == len(waiting) {
		return nil, last
	}
	return left, nil
}

func (s *shelf) put(f chartFile, c *maintenance.Chart) error {
	if c.Exception != "" {
		return fmt.Errorf("%s: it is an exception for one machine, and no chart stands on that; name the chart's own file with --over", f.name)
	}
	key := editionKey(c.ID, c.Edition)
	if other, ok := s.files[key]; ok {
		return fmt.Errorf("%s: it is %s, and so is %s; name one of them", f.name, key, other.name)
	}
	s.files[key] = f
	return nil
}

// compareFiles says what differs between two files, without a service.
func compareFiles(s *session, was, now string, over []string) error {
	before, err := readChart(was, over)
	if err != nil {
		return err
	}
	after, err := readChart(now, over)
	if err != nil {
		return err
	}
	a := &pb.CompareEditionsResponse{Changes: api.Changes(before.Chart, after.Chart)}
	return s.out.document(a, func(w io.Writer) { printChanges(w, a.Changes) })
}
