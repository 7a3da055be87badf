// Command testcount reads the output of `go test -json`, prints what failed or
// was skipped, and ends with one line of counts. It exits 1 where a test or a
// package failed, or no test ran.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
)

type event struct {
	Action, Package, Test, Output string
}

type counts struct{ passed, failed, skipped, packages int }

func main() {
	c, err := count(os.Stdin, os.Stdout)
	if err != nil {
		fmt.Fprintln(os.Stderr, "testcount:", err)
		os.Exit(1)
	}
	fmt.Printf("%d passed, %d failed, %d skipped\n", c.passed, c.failed, c.skipped)
	if c.failed > 0 || c.packages > 0 || c.passed == 0 {
		os.Exit(1)
	}
}

func count(in io.Reader, out io.Writer) (counts, error) {
	var c counts
	said := map[string][]string{}
	s := bufio.NewScanner(in)
	s.Buffer(nil, 16<<20)
	for s.Scan() {
		var e event
		if json.Unmarshal(s.Bytes(), &e) != nil {
			fmt.Fprintln(out, s.Text())
			continue
		}
		name := e.Package + " " + e.Test
		switch e.Action {
		case "output", "build-output":
			said[name] = append(said[name], e.Output)
		case "pass":
			delete(said, name)
			if e.Test != "" {
				c.passed++
			}
		case "skip":
			if e.Test != "" {
				c.skipped++
				fmt.Fprintf(out, "skipped %s: %s\n", name, reason(said[name]))
			}
			delete(said, name)
		case "fail", "build-fail":
			fmt.Fprintf(out, "FAILED %s\n%s", name, strings.Join(said[name], ""))
			delete(said, name)
			if e.Test != "" {
				c.failed++
			} else {
				c.packages++
			}
		}
	}
	return c, s.Err()
}

// reason is the last line that a skipped test said, without Go's own frames.
func reason(lines []string) string {
	for _, l := range slices.Backward(lines) {
		l = strings.TrimSpace(l)
		if l != "" && !strings.HasPrefix(l, "---") && !strings.HasPrefix(l, "===") {
			return l
		}
	}
	return "no reason said"
}
