package metrics

import (
	"github.com/hourbell/hourbell/service/ingest"
)

// ingest tells the totals of ingest.
func (s *scrape) ingest(t ingest.Stats) {
	d := s.describe
	s.count(d.events, float64(t.Taken-t.SetAside), "taken")
	s.count(d.events, float64(t.Repeats), "repeat")
	s.count(d.events, float64(t.SetAside), "set_aside")
	s.count(d.batches, float64(t.Batches))
	s.gauge(d.queued, float64(t.Queued))
	s.count(d.forks, float64(t.Forks))
	s.count(d.misplaced, float64(t.Misplaced))
	s.count(d.thinned, float64(t.Thinned))
	s.gauge(d.damaged, float64(t.Damaged))
	s.count(d.turns, float64(t.Turns))
	s.count(d.checkpoints, float64(t.Checkpoints), "saved")
	s.count(d.checkpoints, float64(t.CheckpointsBad), "failed")
	s.gauge(d.longest, t.LongestCommit.Seconds())
	s.gauge(d.stopped, bit(t.Stopped))
	s.count(d.bytes, float64(t.CommittedBytes))
}

// service tells what stands round ingest.
func (s *scrape) service(from *Sources) {
	d := s.describe
	if from.StoreWorks != nil {
		s.gauge(d.works, bit(from.StoreWorks()))
	}
	if from.JournalBytes != nil {
		s.gauge(d.journal, float64(from.JournalBytes()))
	}
	if from.Connected != nil {
		s.gauge(d.connected, float64(from.Connected()))
	}
	if from.Notices == nil {
		return
	}
	var raised uint64
	for channel, n := range from.Notices() {
		raised = max(raised, n.Seen)
		s.count(d.deliveries, float64(n.Delivered), channel, "delivered")
		s.count(d.deliveries, float64(n.GivenUp), channel, "given_up")
		s.count(d.deliveries, float64(n.Failed), channel, "failed_attempt")
		s.gauge(d.pending, float64(n.Pending), channel)
	}
	s.count(d.raised, float64(raised))
}
