package main

import (
	"io"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/sys/unix"
)

// gap is what stands between a table's columns.
const gap = 2

// screenWidth is how many characters a line of the screen holds: as COLUMNS says,
// or the terminal itself. It is 0 where there is no screen: what other programs
// read keeps a row to a line.
func screenWidth(w io.Writer) int {
	if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil && n > 0 {
		return n
	}
	f, is := w.(*os.File)
	if !is {
		return 0
	}
	size, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	if err != nil {
		return 0
	}
	return int(size.Col)
}

// narrowed leaves out empty columns and folds the cells of the widest columns at
// blanks until a table fits, as far as its longest words let it. A row then takes several lines.
func narrowed(rows [][]string, screen int) [][]string {
	widths, least := columnWidths(rows)
	if total(widths) > screen {
		rows = withoutEmpty(rows)
		widths, least = columnWidths(rows)
	}
	for total(widths) > screen {
		widest := -1
		for i := range widths {
			if widths[i] > least[i] && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			break
		}
		widths[widest]--
	}
	var out [][]string
	for _, row := range rows {
		out = append(out, foldRow(row, widths)...)
	}
	return out
}

// withoutEmpty leaves out the columns in which no row says anything.
func withoutEmpty(rows [][]string) [][]string {
	out := make([][]string, len(rows))
	for i := range rows[0] {
		says := len(rows) == 1
		for _, row := range rows[1:] {
			says = says || i < len(row) && row[i] != "" && row[i] != "-"
		}
		for j, row := range rows {
			if says && i < len(row) {
				out[j] = append(out[j], row[i])
			}
		}
	}
	return out
}

// columnWidths gives each column's width, and the width of its longest word.
func columnWidths(rows [][]string) (widths, least []int) {
	widths, least = make([]int, len(rows[0])), make([]int, len(rows[0]))
	for _, row := range rows {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
			for _, word := range strings.Fields(cell) {
				least[i] = max(least[i], utf8.RuneCountInString(word))
			}
		}
	}
	return widths, least
}

func total(widths []int) int {
	n := gap * (len(widths) - 1)
	for _, w := range widths {
		n += w
	}
	return n
}

// foldRow puts a row's cells into as many lines as the longest needs.
func foldRow(row []string, widths []int) [][]string {
	lines := [][]string{make([]string, len(row))}
	for i, cell := range row {
		for n, text := range foldCell(cell, widths[i]) {
			if n == len(lines) {
				lines = append(lines, make([]string, len(row)))
			}
			lines[n][i] = text
		}
	}
	return lines
}

func foldCell(cell string, width int) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(cell) {
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
			line += " " + word
		default:
			out, line = append(out, line), word
		}
	}
	return append(out, line)
}
