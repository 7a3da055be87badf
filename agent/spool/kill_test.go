package spool_test

import (
	"bufio"
	"crypto/rand"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"github.com/hourbell/hourbell/agent/spool"
)

// childEnv makes this test binary run as the process that is killed: folder and way.
const childEnv = "SPOOL_TEST_CHILD"

func TestMain(m *testing.M) {
	if v := os.Getenv(childEnv); v != "" {
		folder, way, _ := strings.Cut(v, "|")
		if err := child(folder, way == "early"); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	goleak.VerifyTestMain(m)
}

func diskOptions() spool.Options {
	return spool.Options{MaxBytes: 256 << 10, Now: time.Now, Rand: rand.Reader, Log: slog.New(slog.DiscardHandler)}
}

// child appends records for ever and prints the number up to which it says saved:
// after Append, or, as the control, before.
func child(folder string, early bool) error {
	s, err := spool.Open(folder, diskOptions())
	if err != nil {
		return err
	}
	last, _ := s.Last()
	for {
		var events []spool.Event
		for k := range uint64(1 + last%7) {
			events = append(events, numbered(last+k+1))
		}
		said := last + uint64(len(events))
		if early {
			fmt.Println(said)
		}
		if last, err = s.Append(bg, events...); err != nil {
			return err
		}
		if !early {
			fmt.Println(last)
		}
		if last%50 == 0 && last > 200 {
			hash, err := s.HashAt(bg, last-100)
			if err == nil {
				err = s.Ack(bg, last-100, hash)
			}
			if err != nil {
				return err
			}
		}
	}
}

func numbered(seq uint64) spool.Event {
	return spool.Event{Class: spool.Record, Payload: []byte("record " + strconv.FormatUint(seq, 10))}
}

// killLoop kills the child at some moment, again and again, and counts the events
// that were said to be saved and aren't there.
func killLoop(t *testing.T, way string, rounds int) (lost int) {
	folder := filepath.Join(t.TempDir(), "spool")
	for round := range rounds {
		said := killOnce(t, folder, way, 1+round*7%40)
		s, err := spool.Open(folder, diskOptions())
		require.NoError(t, err)
		require.Empty(t, s.Recovery().NewEpoch)
		last, _ := s.Last()
		if said > last {
			lost += int(said - last)
		}
		first := s.Stats().First
		batch, err := s.ReadFrom(bg, first, 1<<20, 1<<30)
		require.NoError(t, err)
		require.Len(t, batch.Items, int(last-first+1))
		for i, it := range batch.Items {
			require.Equal(t, first+uint64(i), it.Seq)
			require.Equal(t, string(numbered(it.Seq).Payload), string(it.Payload))
		}
		require.NoError(t, s.Close())
	}
	return lost
}

// killOnce runs the child until it has said so many lines and tells the last number.
func killOnce(t *testing.T, folder, way string, lines int) (said uint64) {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), childEnv+"="+folder+"|"+way)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	sc := bufio.NewScanner(out)
	for n := 0; sc.Scan(); n++ {
		if n == lines {
			require.NoError(t, cmd.Process.Kill())
		}
		said, err = strconv.ParseUint(sc.Text(), 10, 64)
		require.NoError(t, err, sc.Text())
	}
	require.Error(t, cmd.Wait(), "it was killed")
	require.Positive(t, said)
	return said
}

func TestKill(t *testing.T) {
	require.Zero(t, killLoop(t, "late", 12))
}

// The control says saved before it writes: the same body must catch it.
func TestKillControl(t *testing.T) {
	require.Positive(t, killLoop(t, "early", 12))
}
