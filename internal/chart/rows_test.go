package chart

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v4"
)

// used walks a file by the table and notes every row that occurs.
func used(s *shape, n *yaml.Node, rows map[string]bool) {
	n = followed(n)
	switch {
	case n.Kind == yaml.MappingNode && s.object != nil:
		for i := 0; i+1 < len(n.Content); i += 2 {
			name := n.Content[i].Value
			if f, ok := s.object.find(name); ok {
				rows[s.object.title+": "+name] = true
				if s.object.title == "one interval" {
					rows["an interval: "+name] = true // which has the same fields, and first_of
				}
				used(&f.shape, n.Content[i+1], rows)
			}
		}
	case n.Kind == yaml.MappingNode && s.each != nil:
		for i := 0; i+1 < len(n.Content); i += 2 {
			used(s.each, n.Content[i+1], rows)
		}
	case n.Kind == yaml.SequenceNode && s.each != nil:
		for _, entry := range n.Content {
			used(s.each, entry, rows)
		}
	}
}

// Every row of the table of fields occurs in the charts that the tests hold to
// what arrives.
func TestEveryRowOfTheTableIsTried(t *testing.T) {
	rows := make(map[string]bool)
	root := &shape{kind: kindObject, object: language()}
	for _, name := range []string{"whole.points.yaml", "whole2.points.yaml", "sister.points.yaml", "exception.points.yaml"} {
		src, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(t, err)
		rep := &report{file: name}
		n := parse(rep, src)
		require.NoError(t, rep.err())
		used(root, n, rows)
	}
	root.object.walk(func(o *object) {
		for _, f := range o.fields {
			assert.True(t, rows[o.title+": "+f.name], "%s: %s stands in no chart", o.title, f.name)
		}
	})
}
