package ingesttest

import (
	"crypto/sha256"
	"encoding/binary"

	"github.com/hourbell/hourbell/internal/maintenance"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
	"github.com/hourbell/hourbell/internal/wire"
	"github.com/hourbell/hourbell/service/ingest"
)

// Spool writes an agent's events as a spool holds them. Its rolling hash is
// worked out here once more, from its definition.
type Spool struct {
	Epoch [16]byte
	// Events by sequence number less one; Hashes likewise, with the epoch's start
	// in front.
	Events [][]byte
	Hashes [][32]byte
}

// NewSpool returns an empty spool with a made-up epoch.
func NewSpool(epoch byte) *Spool {
	s := &Spool{Epoch: [16]byte{epoch, 0x5b, 0x11}}
	s.Hashes = [][32]byte{sha256.Sum256(append([]byte("hourbell spool epoch"), s.Epoch[:]...))}
	return s
}

// Last is the last event's sequence number.
func (s *Spool) Last() uint64 { return uint64(len(s.Events)) }

// Raw appends bytes as the next event.
func (s *Spool) Raw(b []byte) uint64 {
	prev := s.Hashes[len(s.Hashes)-1]
	n := binary.BigEndian.AppendUint64(prev[:], s.Last()+1)
	s.Events = append(s.Events, b)
	s.Hashes = append(s.Hashes, sha256.Sum256(append(n, b...)))
	return s.Last()
}

// Put appends an event.
func (s *Spool) Put(stamp wire.Stamp, body maintenance.Body) uint64 {
	b, err := wire.Marshal(nil, stamp, body)
	if err != nil {
		panic(err)
	}
	return s.Raw(b)
}

// Reading appends what the meter "engine" showed on the bus.
func (s *Spool) Reading(at moment.Instant, shown hours.Millis) uint64 {
	return s.Put(wire.Stamp{Time: at}, &maintenance.Reading{Meter: "engine", Shown: shown, Resolution: hours.Hour / 20, Origin: maintenance.OriginBus})
}

// Batch gives the events first..last as an agent sends them.
func (s *Spool) Batch(first, last uint64) *ingest.SpoolBatch {
	return &ingest.SpoolBatch{Epoch: s.Epoch, First: first, Previous: s.Hashes[first-1], Events: s.Events[first-1 : last : last]}
}

// All gives every event in one batch.
func (s *Spool) All() *ingest.SpoolBatch { return s.Batch(1, s.Last()) }

// Copy gives a spool with the same past, as a copied disk has.
func (s *Spool) Copy() *Spool {
	n := len(s.Events)
	return &Spool{Epoch: s.Epoch, Events: s.Events[:n:n], Hashes: s.Hashes[: n+1 : n+1]}
}

// Chart is a small chart: the engine's hours, and two tasks by them.
func Chart() *maintenance.Chart {
	every := func(h hours.Millis) []maintenance.Limb {
		return []maintenance.Limb{{Kind: maintenance.LimbHours, Meter: "engine", Every: h * hours.Hour}}
	}
	return &maintenance.Chart{ID: "reed-cutter", Edition: 1,
		Meters: []maintenance.MeterDef{{ID: "engine", Kind: maintenance.MeterBroadcast, Resolution: hours.Hour / 20, Group: 65253, SPN: 247, Source: 0}},
		Rounds: []maintenance.RoundDef{{ID: "fifty", Call: "The fifty-hour round", Minutes: 30}},
		Points: []maintenance.PointDef{{ID: "beater-bearing", Station: 1}, {ID: "crankcase", Station: 2}},
		Tasks: []maintenance.TaskDef{
			{ID: "beater-bearing/grease", Point: "beater-bearing", Do: "grease", Call: "Grease the beater's bearing", Round: "fifty", Limbs: every(50)},
			{ID: "crankcase/change", Point: "crankcase", Do: "change", Call: "Change the engine oil", Limbs: every(500)},
		},
	}
}
