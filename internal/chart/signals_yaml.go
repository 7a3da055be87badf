package chart

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"github.com/hourbell/hourbell/internal/maintenance"
)

// WriteSignalsYAML writes signals as the signals section of a chart, one a
// line, in the given order. Compile reads back the same signals. It returns the
// first error of w.
func WriteSignalsYAML(w io.Writer, signals []maintenance.SignalDef) error {
	b := bufio.NewWriter(w)
	if len(signals) == 0 {
		fmt.Fprintln(b, "signals: {}")
		return b.Flush()
	}
	fmt.Fprintln(b, "signals:")
	for _, s := range signals {
		fmt.Fprintf(b, "  %s: {%s}\n", s.ID, strings.Join(signalFields(s), ", "))
	}
	return b.Flush()
}

// signalFields gives a signal's fields, those left out that say the usual.
func signalFields(s maintenance.SignalDef) []string {
	fields := []string{fmt.Sprintf("group: %d", s.Group)}
	if s.Source != maintenance.AnySource {
		fields = append(fields, fmt.Sprintf("source: 0x%02X", s.Source))
	}
	fields = append(fields, fmt.Sprintf("byte: %d", s.Byte))
	if s.Bit != usualBit(s.BigEndian) {
		fields = append(fields, fmt.Sprintf("bit: %d", s.Bit))
	}
	fields = append(fields, fmt.Sprintf("bits: %d", s.Bits))
	if s.BigEndian {
		fields = append(fields, "order: big")
	} else if s.Bits > 8 {
		fields = append(fields, "order: little")
	}
	if s.Signed {
		fields = append(fields, "signed: yes")
	}
	if scale := (rational{s.ScaleNum, s.ScaleDen}); scale != (rational{1, 1}) {
		fields = append(fields, "scale: "+scale.String())
	}
	if s.OffsetNum != 0 {
		fields = append(fields, "offset: "+rational{s.OffsetNum, s.OffsetDen}.String())
	}
	if s.Unit != "" {
		fields = append(fields, "unit: "+quoted(s.Unit))
	}
	return fields
}

// quoted writes a text in double quotes, unless it is a plain word.
func quoted(s string) string {
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && c != '/' {
			return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(s) + `"`
		}
	}
	if strings.EqualFold(s, "null") || s == "" || s[0] == '/' {
		return `"` + s + `"`
	}
	return s
}
