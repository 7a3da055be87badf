package endtoend_test

import (
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

// rounds of killing; fewer where the race detector makes all of it slow.
func rounds(n int) int {
	if testing.Short() {
		return max(2, n/4)
	}
	return n
}

// pause is a random moment of the load. Which one it is decides nothing: what
// is asserted must hold at each.
func pause() { time.Sleep(time.Duration(20+rand.IntN(180)) * time.Millisecond) }

// lost is what the account says was saved and the journal has not, or has
// otherwise.
func lost(a *account, journal map[uint64]uint64) (n int) {
	for c := range a.saved {
		if got, ok := journal[c.seq]; !ok || got != c.mark {
			n++
		}
	}
	return n
}

// end lets the box bring what it has, and stops both.
func (b *box) end(t *testing.T) map[uint64]uint64 {
	b.start("drain")
	select {
	case <-b.run.done:
	case <-time.After(60 * time.Second):
		t.Fatal("the box did not bring all it had within a minute")
	}
	require.True(t, b.run.cmd.ProcessState.Success(), "the box ended well")
	b.w.stop()
	return b.w.journalled(b.machine)
}

func TestKilledAgainAndAgainNothingSavedIsLost(t *testing.T) {
	w := found(t, "lark")
	b := newBox(t, w, "lark", roleHonest)
	b.start("write")
	for i := range rounds(16) {
		pause()
		if i%2 == 0 {
			b.run.kill()
			b.start("write")
			continue
		}
		w.kill()
		// An acknowledgement means on the service's disk: looked for before
		// the agent can send anything again.
		acked := b.said.ackedSoFar()
		require.GreaterOrEqual(t, uint64(len(w.journalled("lark"))), acked)
		w.start()
	}
	b.run.kill()
	journal := b.end(t)
	require.Zero(t, lost(b.said, journal))
	require.Greater(t, len(b.said.saved), 100, "there was a load to lose")
}

// The same test body must see a box that says saved before it has written.
func TestTheKillLoopSeesABoxThatSaysSavedTooSoon(t *testing.T) {
	// A kill that meets no such moment shows nothing, so boxes follow until one does.
	boxes := []string{"lark", "pipit", "linnet", "wagtail", "dunnock", "chough"}
	w := found(t, boxes...)
	for i, machine := range boxes {
		if i > 0 {
			w.start() // the end of a box stops it
		}
		b := newBox(t, w, machine, roleControl)
		for range rounds(16) {
			b.start("write")
			pause()
			b.run.kill()
		}
		if lost(b.said, b.end(t)) > 0 {
			return
		}
	}
	require.Fail(t, "no box that says saved too soon lost anything: the loop would not see it")
}

func TestAServiceSetBackToAnOlderCopyGetsAllAgain(t *testing.T) {
	w := found(t, "lark")
	b := newBox(t, w, "lark", roleHonest)
	b.start("write")
	waitAcked(t, b, 1)
	w.stop()
	older := filepath.Join(t.TempDir(), "copy")
	require.NoError(t, os.CopyFS(older, os.DirFS(w.data)))
	had := w.journalled("lark")

	w.start()
	incarnation := ask[pb.GetServerInfoResponse](w, "server").Incarnation
	waitAcked(t, b, uint64(len(had))+200)
	b.run.kill()
	w.stop()
	require.NoError(t, os.RemoveAll(w.data))
	require.NoError(t, os.CopyFS(w.data, os.DirFS(older)))
	w.start("--restored")
	require.NotEqual(t, incarnation, ask[pb.GetServerInfoResponse](w, "server").Incarnation, "whoever holds more knows by it")
	require.Contains(t, w.run("verify", "lark"), "same")

	journal := b.end(t)
	require.Zero(t, lost(b.said, journal))
	require.Greater(t, len(journal), len(had)+200)
	for seq, mark := range maps.All(had) {
		require.Equal(t, mark, journal[seq])
	}
}

func waitAcked(t *testing.T, b *box, n uint64) {
	require.Eventually(t, func() bool { return b.said.ackedSoFar() >= n }, 30*time.Second, 10*time.Millisecond)
}

// Two boxes with one spool: whichever comes second with other content is
// refused, and what the first has brought stands.
func TestASpoolCopiedToAnotherBoxIsRefused(t *testing.T) {
	w := found(t, "lark")
	b := newBox(t, w, "lark", roleHonest)
	b.start("write")
	waitAcked(t, b, 40)
	b.run.kill()
	twin := &box{w: w, machine: "lark", dir: t.TempDir(), role: roleHonest, said: newAccount()}
	require.NoError(t, os.CopyFS(twin.dir, os.DirFS(b.dir)))

	// The first box goes on, until the service has events that were written after
	// the copy was made: the next ones said, or cut off before they were said.
	shared := b.said.savedSoFar() + 8
	b.start("write")
	waitAcked(t, b, shared+40)
	b.run.kill()
	before := b.said.ackedSoFar()
	twin.start("write")
	time.Sleep(time.Second)
	twin.run.kill()

	journal := b.end(t)
	require.Zero(t, lost(b.said, journal))
	require.GreaterOrEqual(t, uint64(len(journal)), before)
	require.NotZero(t, lost(twin.said, journal), "what the twin wrote on its own is not taken for the first one's")
}
