package demo

import (
	"fmt"
	"path/filepath"
)

// invite writes the client file and says what can be tried.
func (s *shift) invite() error {
	file := filepath.Join(s.dir, "client.json")
	if err := s.o.WriteClient(file, s.people); err != nil {
		return err
	}
	at := s.app.Addresses()
	first := s.crew[0].story.ID
	lines := []string{
		"", "The service goes on, its clock from the end of the shift on.",
		"  people   " + at.People, "  metrics  http://" + at.Metrics + "/metrics",
		"", "Try, in another terminal:",
		"  export HOURBELL_CONFIG=" + file,
	}
	for _, c := range []string{"machine list", "due " + first, "explain " + first + " header-coupling/grease", "warnings", "notices", "done " + first + " --round grease-10", "verify"} {
		lines = append(lines, fmt.Sprintf("  %s %s", s.o.Program, c))
	}
	end := "Ctrl-C ends it and removes " + s.dir + "."
	if s.o.Data != "" {
		end = "Ctrl-C ends it. " + s.dir + " is kept; serve it again with: " + s.o.Program + " serve --data " + filepath.Join(s.dir, "service")
	}
	s.board.say(append(lines, "  curl -s http://"+at.Metrics+"/metrics | grep ^hourbell_", "", end)...)
	return nil
}
