package demo

import (
	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// rings: each notice that must come up did, once, at the time of the reading
// that crossed, and no other.
func (c *checker) rings() {
	left := map[*pb.Notice]bool{}
	for _, n := range c.f.notices {
		left[n] = n.Task != ""
	}
	for _, want := range c.k.rings() {
		for _, t := range c.f.tasks {
			if t.Round == want.round {
				c.ring(want, t, left)
			}
		}
	}
	for _, n := range c.f.notices {
		if left[n] {
			c.differ("%q came up at %s, and nothing was to", n.Text, clock(latest(n.RaisedMoment)))
		}
	}
	c.doubts()
}

// ring looks for one task's notice of a stage.
func (c *checker) ring(want ring, t *pb.Task, left map[*pb.Notice]bool) {
	found := 0
	for _, n := range c.f.notices {
		if n.Task != t.Name || int(n.Stage) != want.stage {
			continue
		}
		found++
		left[n] = false
		if at := latest(n.RaisedMoment); !certain(n.RaisedMoment) || at.Before(want.from) || at.After(want.to) {
			c.differ("%s was %s between %s and %s, the service says at %s", t.Call, stageWord(want.stage), clock(want.from), clock(want.to), clock(at))
		}
	}
	if found > 1 || found == 0 && !want.maybe {
		c.differ("%s was %s from %s on, and %s of it", t.Call, stageWord(want.stage), clock(want.from), counted(found, "notice"))
	}
}

// doubts: a replaced meter is asked about once and the question answers itself;
// nothing else is doubted.
func (c *checker) doubts() {
	n := 0
	for _, one := range c.f.notices {
		if one.Task != "" {
			continue
		}
		n++
		if !one.Closed {
			c.differ("still doubted: %s", one.Text)
		}
	}
	want := 0
	if c.k.story.HasBus() {
		want = len(c.k.truth.Lives) - 1
	}
	if n != want {
		c.differ("%s to be doubted, and %d doubted", counted(want, "reading"), n)
	}
}
