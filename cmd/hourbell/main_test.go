package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	pb "github.com/hourbell/hourbell/proto/hourbell/v1"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"hourbell": main})
}

// TestScripts runs each script against the real program: `serve` starts the
// service as a process of its own on ports that are free.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata", Setup: setup, RequireExplicitExec: true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){"serve": serve, "stop": stop, "field": field, "keep": keep, "same": same, "box": box},
	})
}

// setup gives the scripts their own settings and some times to speak of.
func setup(env *testscript.Env) error {
	env.Setenv("XDG_CONFIG_HOME", filepath.Join(env.WorkDir, "cfg"))
	env.Setenv("TZ", "UTC")
	now := time.Now().UTC()
	for _, days := range []int{1, 2, 5, 10, 20} {
		env.Setenv(fmt.Sprintf("DAYS_AGO_%d", days), now.AddDate(0, 0, -days).Format(time.RFC3339))
	}
	env.Values["running"] = &running{}
	return nil
}

// running is a service that a script started.
type running struct {
	cmd    *exec.Cmd
	stderr *bytes.Buffer
}

// serve starts the service: serve DATA [FLAG...]. It is ready when it has said
// its fingerprint. What it said stands in serve.out.
func serve(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: serve DATA [FLAG...]")
	}
	flags := append([]string{"serve", "--data", ts.MkAbs(args[0]), "--people-addr", "127.0.0.1:0", "--agents-addr", "127.0.0.1:0", "--enrol-addr", "127.0.0.1:0", "--metrics-addr", "127.0.0.1:0"}, args[1:]...)
	program, err := exec.LookPath("hourbell")
	ts.Check(err)
	r := ts.Value("running").(*running)
	r.cmd, r.stderr = exec.Command(program, flags...), &bytes.Buffer{}
	r.cmd.Dir, r.cmd.Stderr = ts.MkAbs("."), r.stderr
	r.cmd.Env = append(os.Environ(), "XDG_CONFIG_HOME="+ts.Getenv("XDG_CONFIG_HOME"), "TZ=UTC")
	out, err := r.cmd.StdoutPipe()
	ts.Check(err)
	ts.Check(r.cmd.Start())
	cmd := r.cmd
	ts.Defer(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	said, ok := untilReady(out)
	ts.Check(os.WriteFile(ts.MkAbs("serve.out"), []byte(said), 0o600))
	if !ok {
		ts.Fatalf("the service did not come up:\n%s%s", said, r.stderr.String())
	}
}

func untilReady(out io.Reader) (string, bool) {
	var said strings.Builder
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		said.WriteString(lines.Text() + "\n")
		if strings.HasPrefix(lines.Text(), "fingerprint") {
			return said.String(), true
		}
	}
	return said.String(), false
}

// stop ends the service as an operator does and holds it to a clean end.
func stop(ts *testscript.TestScript, neg bool, _ []string) {
	r := ts.Value("running").(*running)
	ts.Check(r.cmd.Process.Signal(syscall.SIGTERM))
	err := r.cmd.Wait()
	ts.Check(os.WriteFile(ts.MkAbs("serve.err"), r.stderr.Bytes(), 0o600))
	if (err != nil) != neg {
		ts.Fatalf("the service ended with %v:\n%s", err, r.stderr.String())
	}
}

// look reads a value out of the last command's JSON: names and indexes joined by
// dots, {n} for the n-th line of a stream.
func look(ts *testscript.TestScript, path string) (string, bool) {
	text := ts.ReadFile("stdout")
	parts := strings.Split(path, ".")
	if line, err := strconv.Atoi(strings.Trim(parts[0], "{}")); err == nil && strings.HasPrefix(parts[0], "{") {
		lines := strings.Split(strings.TrimSpace(text), "\n")
		if line >= len(lines) {
			return "", false
		}
		text, parts = lines[line], parts[1:]
	}
	var v any
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	if err := d.Decode(&v); err != nil {
		ts.Fatalf("standard output is no JSON: %v\n%s", err, text)
	}
	if d.More() {
		ts.Fatalf("standard output holds more than one JSON document:\n%s", text)
	}
	for _, p := range parts {
		switch x := v.(type) {
		case map[string]any:
			got, has := x[p]
			if !has {
				return "", false
			}
			v = got
		case []any:
			if p == "len" {
				v = json.Number(strconv.Itoa(len(x)))
				continue
			}
			i, err := strconv.Atoi(p)
			if err != nil || i >= len(x) {
				return "", false
			}
			v = x[i]
		default:
			return "", false
		}
	}
	return fmt.Sprint(v), true
}

// field asserts a value of the last command's JSON: field PATH REGEXP, or
// ! field PATH that there is none.
func field(ts *testscript.TestScript, neg bool, args []string) {
	got, has := look(ts, args[0])
	if len(args) == 1 {
		if has == neg {
			ts.Fatalf("%s: there is %q", args[0], got)
		}
		return
	}
	if !has || regexp.MustCompile("^(?:"+args[1]+")$").MatchString(got) == neg {
		ts.Fatalf("%s is %q, want %s\n%s", args[0], got, args[1], ts.ReadFile("stdout"))
	}
}

// keep puts a value of the last command's JSON into a variable: keep NAME PATH.
func keep(ts *testscript.TestScript, _ bool, args []string) {
	got, has := look(ts, args[1])
	if !has {
		ts.Fatalf("there is no %s in\n%s", args[1], ts.ReadFile("stdout"))
	}
	ts.Setenv(args[0], got[strings.LastIndexByte(got, '/')+1:])
}

// same asserts that two variables hold the same.
func same(ts *testscript.TestScript, neg bool, args []string) {
	if (ts.Getenv(args[0]) == ts.Getenv(args[1])) == neg {
		ts.Fatalf("%s is %q and %s is %q", args[0], ts.Getenv(args[0]), args[1], ts.Getenv(args[1]))
	}
}

// box enrols a new box with the token of the last command's JSON.
func box(ts *testscript.TestScript, neg bool, _ []string) {
	var made struct{ Token, Address, Fingerprint string }
	ts.Check(json.Unmarshal([]byte(ts.ReadFile("stdout")), &made))
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	ts.Check(err)
	request, err := x509.CreateCertificateRequest(rand.Reader, &x509.CertificateRequest{}, key)
	ts.Check(err)
	config, err := pinned(made.Fingerprint)
	ts.Check(err)
	conn, err := grpc.NewClient("passthrough:///"+made.Address, grpc.WithTransportCredentials(credentials.NewTLS(config)))
	ts.Check(err)
	defer conn.Close()
	_, err = pb.NewEnrolmentServiceClient(conn).Enrol(context.Background(), &pb.EnrolRequest{Token: made.Token, CertificateRequest: request})
	if (err != nil) != neg {
		ts.Fatalf("enrol: %v", err)
	}
}

func TestHoursText(t *testing.T) {
	for _, c := range []struct {
		ms   int64
		want string
	}{{0, "0.0"}, {4_444_380_000, "1234.55"}, {4_444_200_000, "1234.5"}, {-3_600_000, "-1.0"}, {35_999, "0.0"}, {359_999, "0.09"}, {7_576_560_000, "2104.6"}} {
		require.Equal(t, c.want, hoursText(c.ms), "%d ms", c.ms)
	}
}

func TestParseHours(t *testing.T) {
	for _, c := range []struct {
		text     string
		ms, step int64
	}{{"1234.5", 4_444_200_000, 360_000}, {"1234,5", 4_444_200_000, 360_000}, {"1234.55", 4_444_380_000, 36_000}, {"1234", 4_442_400_000, 3_600_000}, {"0", 0, 3_600_000}} {
		ms, step, err := parseHours(c.text)
		require.NoError(t, err)
		require.Equal(t, [2]int64{c.ms, c.step}, [2]int64{ms, step}, c.text)
	}
	for _, text := range []string{"", ".", "1.", "-1", "+1", "1e3", "1.234", "1,2,3", "1.2,3", "NaN", "1_0", "99999999999", " 1", "0x10"} {
		_, _, err := parseHours(text)
		require.Error(t, err, text)
	}
}

func TestAgeText(t *testing.T) {
	now := time.Date(2031, 7, 14, 21, 0, 0, 0, time.UTC)
	for age, want := range map[time.Duration]string{
		0: "just now", 9 * time.Second: "just now", 45 * time.Second: "45 seconds ago", 5 * time.Minute: "5 minutes ago", 119 * time.Minute: "119 minutes ago",
		47 * time.Hour: "47 hours ago", 72 * time.Hour: "3 days ago", -30 * time.Second: "just now",
	} {
		require.Equal(t, want, ageText(now, now.Add(-age)))
	}
	require.Contains(t, ageText(now, now.Add(time.Hour)), "in the future")
}

func TestParseWhen(t *testing.T) {
	zone := time.FixedZone("", 2*3600)
	now := time.Date(2031, 7, 14, 21, 0, 0, 0, zone)
	for text, want := range map[string]time.Time{
		"18:30": time.Date(2031, 7, 14, 18, 30, 0, 0, zone), "2031-07-13 06:05": time.Date(2031, 7, 13, 6, 5, 0, 0, zone), "2031-07-13T06:05:00Z": time.Date(2031, 7, 13, 6, 5, 0, 0, time.UTC),
	} {
		got, err := parseWhen(text, now)
		require.NoError(t, err)
		require.True(t, want.Equal(got), "%s: %v", text, got)
	}
	_, err := parseWhen("yesterday", now)
	require.ErrorContains(t, err, "want")
}

func TestPlainKeepsTheTerminalStill(t *testing.T) {
	require.Equal(t, "a [31mb c", plain("a\x1b[31mb\nc"))
	require.Equal(t, "Mähdrescher 2", plain("Mähdrescher 2"))
}

func TestRequestIDIsAUUID(t *testing.T) {
	require.Regexp(t, `^[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`, requestID())
	require.NotEqual(t, requestID(), requestID())
}

func TestPick(t *testing.T) {
	names := []string{"machines/a/notices/aabb0011", "machines/a/notices/aabb1122", "machines/a/notices/ccdd0011"}
	got, err := pick("notice", "ccdd", names)
	require.NoError(t, err)
	require.Equal(t, names[2], got)
	_, err = pick("notice", "aabb", names)
	require.ErrorContains(t, err, "type more")
	_, err = pick("notice", "ffff", names)
	require.ErrorContains(t, err, "no notice")
	_, err = pick("notice", "a", names)
	require.ErrorContains(t, err, "at least 4")
}
