package maintenance

import (
	"github.com/hourbell/hourbell/internal/maintenance/hours"
	"github.com/hourbell/hourbell/internal/maintenance/moment"
)

// work is what Apply keeps at hand. All of it can be worked out from the state
// again, so it is neither encoded nor compared.
type work struct {
	ready  bool
	next   []hours.Millis   // per meter: the lowest threshold above its total
	looked []moment.Instant // per meter: the latest record or happening whose hours were looked up
	days   []bool           // per meter: some task counts days worked on it
	closed int              // notices that are closed
	hash   [32]byte         // of chart
	chart  *Chart           // whose hash it is
	chain  *codec           // scratch of the chain
}
