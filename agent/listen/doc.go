// Package listen turns what is heard on a machine's bus into the events of its
// stream: readings of meters, engine started and stopped, spans listened,
// warnings, minutes of drives, latest values and the bus's own names.
//
// It knows no clock: times are nanoseconds on the axis of whoever pushes the
// frames, and its events carry milliseconds on the same axis. An event's time is
// when it happened: what takes a while to be certain of comes later than what
// happened after it, by seconds (a stop, a span's end), by up to a minute (a
// meter's last word before it fell silent), or by what the rules of codes need.
// It is not for use by several goroutines at once.
//
//	frame -> j1939.Bus -> meters   a broadcast reading a minute; a derived sum
//	                   -> engine   above 250 rpm for a second; below 50, or unheard for 5 s
//	                   -> codes    started, ended, unknown since
//	                   -> drives   a mean ratio a minute, with and without load
//	                   -> latest   values every ten minutes
//	                   -> names    once they are whole, and when they change
package listen

// The rhythm of events and the bounds of silence, all in nanoseconds.
const (
	second = int64(1e9)
	minute = 60 * second

	// A meter that runs is told once a minute, one that stands every quarter of an
	// hour. One that fell is told soon, yet not for ever where two speak in turns.
	readingEvery  = minute
	standingEvery = 15 * minute
	fallEvery     = 10 * second
	valuesEvery   = 10 * minute
	listenedEvery = 10 * minute
	// A bus that is silent this long is not being heard.
	silence = 5 * second
	// Between two samples further apart than this nothing is claimed of a shaft.
	sampleGap = 2 * second
	// A name that changed is told once it has stood this long.
	namesSettle = 10 * second
	// namesWait is for how long after the bus woke readings wait for names that are new.
	namesWait = 30 * second
)
