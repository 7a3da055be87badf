package decode_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/agent/decode"
	"github.com/hourbell/hourbell/agent/source"
	"github.com/hourbell/hourbell/internal/combinesim"
	"github.com/hourbell/hourbell/internal/maintenance"
)

const vectors = "../../internal/j1939/testdata/"

// object is a line of the JSON form, as another program would read it.
type object struct {
	Time        time.Time         `json:"time"`
	Kind        string            `json:"kind"`
	Group       *uint32           `json:"group"`
	GroupName   string            `json:"group_name"`
	Source      *uint8            `json:"source"`
	SPN         *uint32           `json:"spn"`
	Name        string            `json:"name"`
	Raw         *int64            `json:"raw"`
	Value       json.Number       `json:"value"`
	Unit        string            `json:"unit"`
	State       string            `json:"state"`
	Text        []string          `json:"text"`
	FMI         *uint8            `json:"fmi"`
	Occurrences *uint8            `json:"occurrences"`
	Conversion  string            `json:"conversion"`
	Bytes       string            `json:"bytes"`
	Lamps       map[string]string `json:"lamps"`
	Phase       string            `json:"phase"`
	Element     *uint16           `json:"element"`
	Entry       *uint16           `json:"entry"`
}

func run(t *testing.T, recording string, opts decode.Options) (string, decode.Summary) {
	t.Helper()
	var out bytes.Buffer
	sum, err := decode.Run(t.Context(), source.NewRecording("test.log", io.NopCloser(strings.NewReader(recording)), source.RecordingOptions{}), &out, opts)
	require.NoError(t, err)
	return out.String(), sum
}

func objects(t *testing.T, recording string, chart *maintenance.Chart) (all []object) {
	t.Helper()
	out, _ := run(t, recording, decode.Options{JSON: true, Chart: chart})
	for line := range strings.Lines(out) {
		d := json.NewDecoder(strings.NewReader(line))
		d.UseNumber()
		d.DisallowUnknownFields()
		var o object
		require.NoError(t, d.Decode(&o), line)
		require.NotNil(t, o.Group, line)
		require.NotNil(t, o.Source, line)
		require.False(t, o.Time.IsZero(), line)
		require.Contains(t, []string{"", "ok", "error", "not available", "reserved", "specific", "out of range", "new", "none", "timeout"}, o.State, line)
		require.Equal(t, o.State == "ok", o.Value != "", "a value where the state is ok, and nowhere else: %s", line)
		all = append(all, o)
	}
	return all
}

// log puts frames ("18FEE500#72..") into a recording, 50 ms apart.
func log(frames ...string) string {
	var b strings.Builder
	for i, f := range frames {
		fmt.Fprintf(&b, "(1940762400.%06d) can0 %s\n", i*50_000, f)
	}
	return b.String()
}

func rows(t *testing.T, name string) (out [][]string) {
	t.Helper()
	b, err := os.ReadFile(vectors + name)
	require.NoError(t, err)
	for s := bufio.NewScanner(bytes.NewReader(b)); s.Scan(); {
		if line := s.Text(); line != "" && !strings.HasPrefix(line, "#") {
			out = append(out, strings.Split(line, "\t"))
		}
	}
	require.Greater(t, len(out), 5)
	return out[1:]
}

func rat(t *testing.T, s string) *big.Rat {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	require.True(t, ok, s)
	return r
}

func TestPublishedParameters(t *testing.T) {
	values := 0
	for _, row := range rows(t, "params.tsv") {
		got := map[uint32]object{}
		for _, o := range objects(t, log(row[0]+"#"+row[1]), nil) {
			if o.Kind == "value" {
				require.Equal(t, row[2], strconv.Itoa(int(*o.Group)))
				require.NotEmpty(t, o.Name)
				got[*o.SPN] = o
			}
		}
		for _, want := range strings.Split(row[3], ";") {
			spn, value, ok := strings.Cut(want, "=")
			if !ok {
				continue // a row with none
			}
			n, err := strconv.Atoi(spn)
			require.NoError(t, err)
			o, ok := got[uint32(n)]
			require.True(t, ok, "%s: SPN %d is not told", row[0], n)
			values++
			switch value {
			case "'NA'":
				require.Equal(t, "not available", o.State)
			case "'ERR'":
				require.Equal(t, "error", o.State)
			case "'RES'":
				require.Contains(t, []string{"reserved", "specific"}, o.State)
			default:
				require.Zero(t, rat(t, value).Cmp(rat(t, o.Value.String())), "%s: SPN %d: %s, not %s", row[0], n, o.Value, value)
			}
		}
	}
	require.Greater(t, values, 100)
}

func TestPublishedCodes(t *testing.T) {
	codes := 0
	for _, row := range rows(t, "dm1.tsv") {
		lamps := strings.Split(row[1], ",")
		var list []string
		for _, o := range objects(t, log(strings.Fields(row[0])...), nil) {
			if o.Kind != "code" && o.Kind != "codes" {
				continue
			}
			for i, lamp := range []string{"protect", "warning", "stop", "malfunction"} {
				word := o.Lamps[lamp]
				require.Equal(t, []string{"off", "on", "error", "not available"}[int(lamps[i][0]-'0')], strings.Split(word, ",")[0], row[0])
			}
			if o.Kind == "codes" {
				require.Equal(t, "none", o.State)
				list = append(list, "none")
				continue
			}
			codes++
			require.Equal(t, "0", o.Conversion)
			require.Equal(t, uint32(65226), *o.Group)
			list = append(list, fmt.Sprintf("%d/%d/%d", *o.SPN, *o.FMI, *o.Occurrences))
		}
		require.Equal(t, strings.Fields(row[3]), list)
	}
	require.Greater(t, codes, 20)
}

// The recording is a public teaching one: 20 codes in one message by transport.
func TestCodesOfARealRecording(t *testing.T) {
	b, err := os.ReadFile(vectors + "codes.log")
	require.NoError(t, err)
	var first, last object
	n := 0
	for _, o := range objects(t, string(b), nil) {
		if o.Kind == "code" {
			if n++; n == 1 {
				first = o
			}
			last = o
		}
	}
	require.Equal(t, 20, n)
	require.Equal(t, [2]uint32{91, 3242}, [2]uint32{*first.SPN, *last.SPN})
	require.Equal(t, [2]uint8{8, 3}, [2]uint8{*first.FMI, *last.FMI})
	require.Equal(t, "on", strings.Split(first.Lamps["warning"], ",")[0])
}

func TestOldPackingsIdentitiesAndTheRest(t *testing.T) {
	// SPN 520200, FMI 5, count 9 in packing 2; composed in the standards' notes, as are the vehicle's name and the claim.
	recording := log("18FECA00#04FF01FE0589FFFF", "18EEFF26#40E2216100810EA0",
		"18ECFF00#20120003FFECFE00", "18EBFF00#015A5A3954455354", "18EBFF00#024D414348303030", "18EBFF00#033034322AFFFFFF",
		"18EAFFF9#D3FE00", "18ECFF00#20120003FFECFE00", "18EBFF00#015A5A3954455354", "18FEE500#72600000FFFFFFFF")
	find := func(chart *maintenance.Chart, kind string) object {
		for _, o := range objects(t, recording, chart) {
			if o.Kind == kind {
				return o
			}
		}
		t.Fatalf("no line of kind %q", kind)
		return object{}
	}
	code := find(nil, "code")
	require.Equal(t, "ambiguous", code.Conversion)
	require.Equal(t, "01FE0589", code.Bytes)
	require.Nil(t, code.SPN)
	code = find(&maintenance.Chart{ID: "c", Methods: []maintenance.ConversionDef{{Source: 0, Method: 2}}}, "code")
	require.Equal(t, "2", code.Conversion)
	require.Equal(t, uint32(520200), *code.SPN)
	require.Equal(t, uint8(9), *code.Occurrences)
	identity := find(nil, "identity")
	require.Equal(t, []string{"ZZ9TESTMACH000042"}, identity.Text)
	require.Equal(t, uint32(65260), *identity.Group)
	claim := find(nil, "claim")
	require.Equal(t, "A00E81006121E240", claim.Name, "as 64 bits, highest first")
	require.Equal(t, uint8(0x26), *claim.Source)
	require.Equal(t, uint8(0xF9), *find(nil, "clear").Source)
}

// A transfer that breaks off is said.
func TestABrokenTransferIsSaid(t *testing.T) {
	recording := log("18ECFF00#20120003FFECFE00", "18EBFF00#015A5A3954455354") + "(1940762405.000000) can0 18FEE500#72600000FFFFFFFF\n"
	for _, o := range objects(t, recording, nil) {
		if o.Kind == "broken" {
			require.Equal(t, uint32(65260), *o.Group)
			require.Equal(t, "timeout", o.State)
			return
		}
	}
	t.Fatal("nothing is said of it")
}

func TestAChartNamesTheMachinesOwnSignals(t *testing.T) {
	chart := &maintenance.Chart{ID: "skeldrow-sr7"}
	var frames []string
	for _, l := range combinesim.Layouts() {
		if l.SPN != 0 {
			continue
		}
		scale, offset := rat(t, l.Scale), rat(t, l.Offset)
		chart.Signals = append(chart.Signals, maintenance.SignalDef{ID: l.Name, Group: l.Group, Source: int16(l.Source), Byte: uint16(l.Byte), Bit: uint8(l.Bit),
			Bits: uint8(l.Bits), Unit: l.Unit, ScaleNum: scale.Num().Int64(), ScaleDen: scale.Denom().Int64(),
			OffsetNum: offset.Num().Int64(), OffsetDen: offset.Denom().Int64()})
		frames = append(frames, l.TestFrame)
	}
	require.Greater(t, len(frames), 8)
	found := 0
	all := objects(t, log(frames...), chart)
	for _, l := range combinesim.Layouts() {
		for _, o := range all {
			if o.Kind == "signal" && o.Name == l.Name && o.State == "ok" && rat(t, o.Value.String()).Cmp(rat(t, l.TestValue)) == 0 {
				require.Equal(t, l.Unit, o.Unit)
				require.Equal(t, l.Source, *o.Source)
				found++
				break
			}
		}
	}
	require.Equal(t, len(frames), found)
	chart.Signals[0].Bits = 90
	_, err := decode.Run(t.Context(), source.NewRecording("x", io.NopCloser(strings.NewReader("")), source.RecordingOptions{}), io.Discard, decode.Options{Chart: chart})
	require.ErrorContains(t, err, "skeldrow-sr7")
}

// recording is a machine's first seconds, a code coming up in them.
func recording(t *testing.T) string {
	c := combinesim.Config{Name: "test", Seed: 5, Start: time.Date(2031, 8, 1, 4, 0, 0, 0, time.UTC), Identity: combinesim.NewIdentity(41), Rates: combinesim.ThinBus(),
		Meters:  combinesim.Meters{Engine: 2000 * combinesim.Hour, Vehicle: 2300 * combinesim.Hour, PTO: -1},
		Program: combinesim.Program{{Do: combinesim.KeyOn, For: 2 * time.Second}, {Do: combinesim.Idle, For: 6 * time.Second}}}
	for _, k := range combinesim.Codes()[:2] {
		c.Faults.Warnings = append(c.Faults.Warnings, combinesim.Warning{Code: k, From: 3 * time.Second, To: 5 * time.Second})
	}
	m, err := combinesim.New(c)
	require.NoError(t, err)
	var b bytes.Buffer
	_, err = m.WriteCandump(&b, "can0")
	require.NoError(t, err)
	return b.String()
}

// The frames are of the published vectors (engine hours 7755.15 h and power
// take-off 7.6 h from real recordings) and of the standards' notes (code 100/1,
// vehicle name, claim); the text was written by hand.
func TestTextForPeople(t *testing.T) {
	got, sum := run(t, log("18FEE500#DF5D02004D550000", "18FEE700#FFFFFFFF98000000", "18EEFF26#40E2216100810EA0", "18FECA00#04FF64000103FFFF",
		"18ECFF00#20120003FFECFE00", "18EBFF00#015A5A3954455354", "18EBFF00#024D414348303030", "18EBFF00#033034322AFFFFFF",
		"18FECA00#04FF64000103FFFF", "18FECA0B#140000000000FFFF"), decode.Options{})
	want, err := os.ReadFile(filepath.Join("testdata", "text.golden"))
	require.NoError(t, err)
	require.Equal(t, string(want), got)
	require.Equal(t, decode.Summary{Frames: 10, Values: 4, Codes: 2, Groups: 6, FirstNs: 1940762400e9, LastNs: 1940762400e9 + 450e6}, sum)
}

// Another decoder splits the same frames into the same groups.
func TestGroupsAreThoseOfAnotherDecoder(t *testing.T) {
	tshark, err := exec.LookPath("tshark")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("tshark is needed to compare with")
		}
		t.Skip("no tshark here to compare with")
	}
	text := recording(t)
	path := filepath.Join(t.TempDir(), "first.log")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	out, err := exec.CommandContext(t.Context(), tshark, "-d", "can.subdissector,j1939", "-r", path, "-T", "fields", "-e", "j1939.pgn", "-e", "j1939.src_addr").Output()
	require.NoError(t, err)
	theirs := map[string]bool{}
	frames := strings.Fields(regexp.MustCompile(`\t`).ReplaceAllString(string(out), "/"))
	require.Len(t, frames, strings.Count(text, "\n"))
	for _, f := range frames {
		theirs[f] = true
	}
	_, sum := run(t, text, decode.Options{})
	groups := map[string]bool{}
	for f := range theirs {
		groups[strings.Split(f, "/")[0]] = true
	}
	require.Equal(t, len(groups), sum.Groups)
	for _, o := range objects(t, text, nil) {
		if o.Kind == "value" {
			require.True(t, theirs[fmt.Sprintf("%d/%d", *o.Group, *o.Source)], "%d from %d", *o.Group, *o.Source)
		}
	}
}
