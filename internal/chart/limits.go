package chart

// The limits on what is read. They are far above any chart that a person
// writes, and low enough that a hostile file costs little.
const (
	maxFile     = 1 << 20 // bytes of YAML
	maxDepth    = 32      // levels of nesting
	maxCompiled = 4 << 20 // bytes of a compiled chart, half of what the domain reads
	maxAliases  = 200     // uses of an anchor
	maxValues   = 200_000 // values read, those behind aliases counted again
	maxErrors   = 500     // mistakes listed
	maxText     = 600     // characters of a text
	maxID       = 60      // characters of an id; point and task together stay below the domain's 128
	maxPoints   = 2_000
	maxTasks    = 200   // at one point
	maxAll      = 2_000 // in the chart, as the domain has it
	maxNamed    = 2_000
	maxTests    = 50      // frames that test one signal
	maxDBC      = 8 << 20 // bytes of a DBC file
	maxDBCLine  = 64 << 10
	maxSignals  = 20_000 // signals read from a DBC file
	maxWarned   = 2_000  // warnings listed for a DBC file
)
