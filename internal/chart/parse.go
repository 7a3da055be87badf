package chart

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
	"go.yaml.in/yaml/v4/plugin/loaderlimits"
)

// parse gives the root node of the one document in src, nil where the file
// can't be walked at all; why is then in the report.
func parse(rep *report, src []byte) *yaml.Node {
	if len(src) > maxFile {
		rep.addAt(0, 0, "", fmt.Sprintf("the file has %d bytes", len(src)), fmt.Sprintf("at most %d", maxFile), "a chart is for one kind of machine: make one file for each")
		return nil
	}
	if !checkText(rep, src) {
		return nil
	}
	// A byte order mark is no part of the text, and is not counted in columns.
	src = bytes.TrimPrefix(src, []byte("\ufeff"))
	loader, err := yaml.NewLoader(bytes.NewReader(src), yaml.WithV4Defaults(),
		yaml.WithPlugin(loaderlimits.New(loaderlimits.DepthValue(maxDepth))))
	if err != nil {
		rep.addAt(0, 0, "", "the YAML reader can't start: "+err.Error(), "", "")
		return nil
	}
	var doc, next yaml.Node
	if err := loader.Load(&doc); err != nil {
		notYAML(rep, err)
		return nil
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		empty(rep)
		return nil
	}
	if err := loader.Load(&next); err == nil && next.Line > 0 {
		rep.add(&next, "", "a second document starts here", "one chart a file", "put it in a file of its own")
	}
	return doc.Content[0]
}

func empty(rep *report) {
	rep.addAt(1, 1, "", "the file is empty", "a chart", `start with "chart:" and an id`)
}

// checkText refuses what is not plain UTF-8 text, before line and column can
// mean different things to the reader and to an editor.
func checkText(rep *report, src []byte) bool {
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) {
		rep.addAt(1, 1, "", "the file is UTF-16", "UTF-8", "save it again as UTF-8")
		return false
	}
	line, column, ok := 1, 1, true
	for i := 0; i < len(src); {
		r, n := utf8.DecodeRune(src[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			rep.addAt(line, column, "", fmt.Sprintf("byte 0x%02X is not UTF-8", src[i]), "UTF-8", "save the file again as UTF-8")
			ok = false
		case isControl(r):
			rep.addAt(line, column, "", fmt.Sprintf("the character U+%04X is invisible", r), "plain text", "take it out")
			ok = false
		}
		i += n
		column++
		if r == '\n' || (r == '\r' && (i >= len(src) || src[i] != '\n')) {
			line, column = line+1, 1
		} else if r == '\ufeff' && i == n {
			column = 1
		}
	}
	return ok
}

// isControl reports characters that move or hide text. Those that YAML takes
// for line ends and editors do not are among them.
func isControl(r rune) bool {
	switch {
	case r == '\t', r == '\n', r == '\r':
		return false
	case r < 0x20, r >= 0x7f && r <= 0x9f:
		return true
	case r == 0x2028, r == 0x2029, r >= 0x202a && r <= 0x202e, r >= 0x2066 && r <= 0x2069:
		return true
	}
	return false
}

// notYAML reports what the YAML reader says. It stops at the first mistake, so
// what comes after it is not known yet.
func notYAML(rep *report, err error) {
	var le *yaml.LoadError
	if !errors.As(err, &le) {
		if strings.Contains(err.Error(), "EOF") {
			empty(rep)
			return
		}
		rep.addAt(0, 0, "", "not YAML: "+err.Error(), "", "")
		return
	}
	what := "not YAML: " + le.Message
	if le.ContextMsg != "" && le.ContextMark.Line > 0 {
		what += fmt.Sprintf(" %s from line %d, column %d", le.ContextMsg, le.ContextMark.Line, le.ContextMark.Column)
	}
	rep.addAt(le.Mark.Line, le.Mark.Column, "", what, "", yamlFix(le.Message))
}

// yamlFix turns the YAML reader's usual complaints into what to do.
func yamlFix(message string) string {
	switch {
	case strings.Contains(message, "tab character"), strings.Contains(message, "cannot start any token"):
		return "indent with blanks, and put quotes round a text that starts with a special character"
	case strings.Contains(message, "mapping values are not allowed"):
		return "put quotes round a text that has a colon in it, or mend the indenting"
	case strings.Contains(message, "expected ',' or"):
		return "close the bracket, or put a comma between the entries"
	case strings.Contains(message, "end of stream"):
		return "close the quotes"
	case strings.Contains(message, "unknown anchor"):
		return "define it before it is used, with &"
	case strings.Contains(message, "depth"):
		return "nest less deeply"
	}
	return "the rest of the file is read once this is mended"
}
