package demo

import (
	_ "embed"

	"github.com/hourbell/hourbell/internal/combinesim"
)

// The kinds of machine, by their charts.
const (
	rotaryKind = combinesim.MachineKind
	handKind   = "dabblestraw-4"
)

// The charts, as a technician writes them.
var (
	//go:embed charts/skeldrow-sr7.points.yaml
	rotaryChart string
	//go:embed charts/dabblestraw-4.points.yaml
	handChart string
)
