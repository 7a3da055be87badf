package demo

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"unicode/utf8"
)

// screen is where the demo shows itself. On a terminal a table stands at the
// bottom and is drawn over, and what happens is printed above it; elsewhere there
// is no table.
type screen struct {
	out      io.Writer
	terminal bool
	width    func() int

	mu    sync.Mutex
	table []string
	drawn int // lines of the table that stand at the bottom
}

// bold makes lines stand out where that can be shown.
func (s *screen) bold(lines []string) {
	for i := range lines {
		if s.terminal {
			lines[i] = "\x1b[1m" + lines[i] + "\x1b[0m"
		}
	}
}

// columns is how wide a line may be.
func (s *screen) columns() int { return s.width() - 1 }

// bell lets the terminal ring.
func (s *screen) bell() {
	if s.terminal {
		_, _ = io.WriteString(s.out, "\a")
	}
}

// say prints lines above the table.
func (s *screen) say(lines ...string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.show(lines)
}

// draw puts another table in the place of the last.
func (s *screen) draw(table []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.table = table
	if s.terminal {
		s.show(nil)
	}
}

// show prints lines where the table stands and the table under them, in one
// write so that nothing flickers.
func (s *screen) show(lines []string) {
	var b strings.Builder
	if s.drawn > 0 {
		fmt.Fprintf(&b, "\r\x1b[%dA\x1b[J", s.drawn)
	}
	for _, line := range lines {
		b.WriteString(line + "\n")
	}
	s.drawn = 0
	if s.terminal {
		for _, line := range s.table {
			b.WriteString(cut(line, s.columns()) + "\n")
		}
		s.drawn = len(s.table)
	}
	_, _ = io.WriteString(s.out, b.String()) // a screen that is gone is no reason to stop
}

// cut cuts a line to a number of columns.
func cut(line string, columns int) string {
	if utf8.RuneCountInString(line) <= columns {
		return line
	}
	return string([]rune(line)[:max(columns-1, 0)]) + "…"
}

// hang breaks text into lines of at most so many columns: the first behind a
// head, the others as far in.
func hang(head, text string, columns int) (lines []string) {
	line, words := head, 0
	for word := range strings.FieldsSeq(text) {
		switch {
		case words == 0:
			line += word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > columns:
			lines = append(lines, line)
			line = strings.Repeat(" ", utf8.RuneCountInString(head)) + word
		default:
			line += " " + word
		}
		words++
	}
	return append(lines, strings.TrimRight(line, " "))
}
