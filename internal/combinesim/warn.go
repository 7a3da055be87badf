package combinesim

import "time"

// codeAt is the code with index i: the warnings first, then the alarms.
func (c *Config) codeAt(i int) Code {
	if n := len(c.Faults.Warnings); i >= n {
		return c.Faults.Alarms[i-n].Code
	}
	return c.Faults.Warnings[i].Code
}

// warn brings every code to the present time.
func (w *world) warn() {
	t := time.Duration(w.now - w.start)
	for i := range w.cfg.Faults.Warnings {
		w.setCode(i, w.warned(&w.cfg.Faults.Warnings[i], t))
	}
	for i := range w.cfg.Faults.Alarms {
		w.judge(i)
	}
}

func (w *world) warned(f *Warning, t time.Duration) bool {
	if !w.alive || !within(t, f.From, f.To) {
		return false
	}
	if f.While == WhileRunning && !w.running || f.While == WhileThreshing && !w.engaged {
		return false
	}
	return f.OnFor == 0 || (t-f.From)%(f.OnFor+f.OffFor) < f.OnFor
}

// judge turns a slip alarm on or off once its drive has been on the other side
// for long enough under load.
func (w *world) judge(i int) {
	a := &w.cfg.Faults.Alarms[i]
	at := len(w.cfg.Faults.Warnings) + i
	if !w.running {
		w.alarm[i] = 0
		w.setCode(at, false)
		return
	}
	if !w.locked || w.feed < LoadedPPM {
		return
	}
	nominal := nominalPPM[a.Drive]
	short := (nominal-w.drive[a.Drive].ratioPPM)*million/nominal >= a.ShortPPM
	if short == w.codes[at].active {
		w.alarm[i] = 0
		return
	}
	if w.alarm[i] += stepMS; w.alarm[i] >= int64(a.For)/1e6 {
		w.alarm[i] = 0
		w.setCode(at, short)
	}
}

func (w *world) setCode(i int, active bool) {
	c := &w.codes[i]
	if c.active == active {
		return
	}
	c.active, c.since, c.lasted = active, w.now, w.now-c.since
	if active {
		c.count = min(c.count+1, 126)
	}
}
