package local

// Status is how a running agent stands.
type Status struct {
	Version   string `json:"version"`
	Machine   string `json:"machine,omitempty"` // "" before it is known
	ListensTo string `json:"listens_to"`
	Chart     string `json:"chart,omitempty"`
	Edition   uint32 `json:"edition,omitempty"`

	Frames        uint64 `json:"frames"`
	LostFrames    uint64 `json:"lost_frames"`
	Events        uint64 `json:"events"`
	RefusedEvents uint64 `json:"refused_events"` // the spool had no room

	SpoolBytes      int64  `json:"spool_bytes"`
	SpoolMostBytes  int64  `json:"spool_most_bytes"`
	ThinnedReadings uint64 `json:"thinned_readings"`

	Enrolled  bool   `json:"enrolled"`
	Connected bool   `json:"connected"`
	Refused   bool   `json:"refused"` // by the service: a person must act
	Trouble   string `json:"trouble,omitempty"`
	Office    Office `json:"office"`
}

// Office is how much of this box's events the service has.
type Office struct {
	HasEvents    uint64 `json:"has_events"`
	HasUpToMs    int64  `json:"has_up_to_ms"` // when the last of them happened
	BehindEvents uint64 `json:"behind_events"`
}

// Due is what is due on the box's machine.
type Due struct {
	// Known: the service has sent a copy of the machine's state. Without one
	// nothing else is known, and rows are empty.
	Known        bool   `json:"known"`
	Machine      string `json:"machine,omitempty"`
	Display      string `json:"display,omitempty"`
	Chart        string `json:"chart,omitempty"`
	Edition      uint32 `json:"edition,omitempty"`
	Day          string `json:"day,omitempty"` // the site's work day, 2031-07-02
	AsOfMs       int64  `json:"as_of_ms"`
	CopyRevision uint64 `json:"copy_revision"`
	// GoodUntilMs: the site's work days are known until then; dates stand still after it.
	GoodUntilMs int64    `json:"good_until_ms"`
	Office      Office   `json:"office"`
	Meters      []Meter  `json:"meters"`
	Tasks       []Task   `json:"tasks"`   // the most urgent first, then in walking order
	Notices     []Notice `json:"notices"` // the open ones
	Doubts      []Doubt  `json:"doubts"`  // the open ones
}

// Meter is one of the machine's hour counters.
type Meter struct {
	Meter   string `json:"meter"`
	TotalMs int64  `json:"total_ms"` // the machine's hours
	ShownMs int64  `json:"shown_ms"` // what the present meter shows
	StepMs  int64  `json:"step_ms"`
	Origin  string `json:"origin"` // bus, derived, person, feed
	AtMs    int64  `json:"at_ms"`
}

// Task is one task's counter.
type Task struct {
	Task      string   `json:"task"`
	Call      string   `json:"call"`
	Do        string   `json:"do"`
	Point     string   `json:"point"`
	Station   uint32   `json:"station,omitempty"`
	Side      string   `json:"side,omitempty"`
	Reach     string   `json:"reach,omitempty"`
	Round     string   `json:"round,omitempty"`
	RoundCall string   `json:"round_call,omitempty"`
	Who       string   `json:"who,omitempty"`
	Material  string   `json:"material,omitempty"`
	Amount    string   `json:"amount,omitempty"`
	Minutes   uint32   `json:"minutes,omitempty"`
	State     string   `json:"state"`               // unknown, not due, soon, due, overdue
	Reason    string   `json:"reason"`              // why, in words
	First     int      `json:"first"`               // which of Limbs decides, -1 none
	Build     string   `json:"build,omitempty"`     // whether it is on this machine, where that is not known
	Postponed string   `json:"postponed,omitempty"` // by whom, until when and why
	Soft      bool     `json:"soft,omitempty"`      // it rings nobody
	Shields   uint32   `json:"shields,omitempty"`   // to count off and on again
	Practice  string   `json:"practice,omitempty"`  // which practice stands in for the book, or why none does
	Limbs     []Limb   `json:"limbs"`
	Cautions  []string `json:"cautions"`
}

// Limb is one interval of a task. Where Known is false, Why says why.
type Limb struct {
	Kind        string `json:"kind"` // hours, months, days worked, season, count, trigger, run-in
	State       string `json:"state"`
	Known       bool   `json:"known"`
	Why         string `json:"why,omitempty"`
	Meter       string `json:"meter,omitempty"`
	EveryMs     int64  `json:"every_ms,omitempty"`
	EveryMonths uint32 `json:"every_months,omitempty"`
	SinceMs     *int64 `json:"since_ms,omitempty"`
	LeftMs      *int64 `json:"left_ms,omitempty"` // below 0: over
	DueAtMs     *int64 `json:"due_at_ms,omitempty"`
	LeftDays    *int   `json:"left_days,omitempty"` // below 0: over
	DueOn       string `json:"due_on,omitempty"`
	Words       string `json:"words,omitempty"` // on what it stands, where the figures don't say all
}

// Notice is what is said to people.
type Notice struct {
	ID       string `json:"id"`
	Task     string `json:"task,omitempty"`
	Stage    string `json:"stage"`
	Says     string `json:"says"`
	RaisedMs int64  `json:"raised_ms"`
	Answer   string `json:"answer,omitempty"` // mine, later
	Person   string `json:"person,omitempty"`
}

// Doubt is a question for a person.
type Doubt struct {
	Meter string `json:"meter,omitempty"`
	What  string `json:"what"`
	AtMs  int64  `json:"at_ms"`
}
