package j1939_test

import (
	"bufio"
	"encoding/hex"
	"math/big"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/j1939"
)

// rows reads a tab-separated file without its comments and its head line.
func rows(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	require.NoError(t, err)
	defer func() { require.NoError(t, f.Close()) }()
	var out [][]string
	for s := bufio.NewScanner(f); s.Scan(); {
		if line := s.Text(); !strings.HasPrefix(line, "#") && line != "" {
			out = append(out, strings.Split(line, "\t"))
		}
	}
	require.Greater(t, len(out), 1, name)
	return out[1:]
}

func number(t testing.TB, text string) int {
	t.Helper()
	n, err := strconv.Atoi(text)
	require.NoError(t, err)
	return n
}

func hexID(t testing.TB, text string) uint32 {
	t.Helper()
	n, err := strconv.ParseUint(text, 16, 32)
	require.NoError(t, err)
	return uint32(n)
}

func hexData(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(text)
	require.NoError(t, err)
	return b
}

func newBus(t testing.TB, opt j1939.Options) *j1939.Bus {
	t.Helper()
	b, err := j1939.NewBus(opt)
	require.NoError(t, err)
	return b
}

// push pushes frames in the text form, a millisecond apart, and returns the last report.
func push(t testing.TB, b *j1939.Bus, frames string) (r *j1939.Report) {
	t.Helper()
	for i, text := range strings.Fields(frames) {
		f, err := j1939.ParseFrame(text)
		require.NoError(t, err)
		r = b.Push(int64(i)*1_000_000, f.ID, f.Payload())
	}
	return r
}

func rat(t testing.TB, text string) *big.Rat {
	t.Helper()
	x, ok := new(big.Rat).SetString(text)
	require.True(t, ok, text)
	return x
}

// exact works the value out anew, from the table's fraction.
func exact(v j1939.Value) *big.Rat {
	l := v.Param.Linear
	n := new(big.Int).Mul(big.NewInt(int64(v.Raw)), big.NewInt(l.Num))
	return new(big.Rat).SetFrac(n.Add(n, big.NewInt(l.Off)), big.NewInt(l.Den))
}

func assertValue(t *testing.T, want string, v j1939.Value) {
	t.Helper()
	switch want {
	case "'NA'", "NA":
		assert.Equal(t, j1939.StateNotAvailable, v.State, "SPN %d", v.Param.SPN)
	case "'ERR'", "ERROR":
		assert.Equal(t, j1939.StateError, v.State, "SPN %d", v.Param.SPN)
	case "'RES'":
		assert.Contains(t, []j1939.State{j1939.StateReserved, j1939.StateSpecific}, v.State, "SPN %d", v.Param.SPN)
	default:
		require.Equal(t, j1939.StateOK, v.State, "SPN %d", v.Param.SPN)
		assert.Zero(t, rat(t, want).Cmp(exact(v)), "SPN %d: want %s, got %s", v.Param.SPN, want, exact(v).FloatString(6))
	}
}

func find(t testing.TB, values []j1939.Value, spn int) j1939.Value {
	t.Helper()
	for _, v := range values {
		if v.Param.SPN == uint32(spn) {
			return v
		}
	}
	require.Failf(t, "no such value", "SPN %d", spn)
	return j1939.Value{}
}

func TestIdentifierVectors(t *testing.T) {
	for _, row := range rows(t, "ids.tsv") {
		raw := hexID(t, row[0])
		want := j1939.ID{Priority: uint8(number(t, row[1])), Source: j1939.Address(number(t, row[6])), Dest: j1939.AddressGlobal, Group: j1939.Group(number(t, row[9]))}
		if row[7] != "all" {
			want.Dest = j1939.Address(number(t, row[7]))
		}
		got := j1939.SplitID(raw)
		assert.Equal(t, want, got, row[0])
		assert.Equal(t, row[7] != "all", got.Group.Addressed(), row[0])
		back, err := got.Raw()
		require.NoError(t, err, row[0])
		assert.Equal(t, raw, back, row[0])
	}
}

// Every parameter of the layout file stands in the table as it stands there.
func TestTableAgainstLayout(t *testing.T) {
	n := 0
	for _, row := range rows(t, "layout.tsv") {
		p, ok := j1939.FindParameter(uint32(number(t, row[4])))
		require.True(t, ok, row[4])
		place, bit, dotted := strings.Cut(row[3], ".")
		first, _, _ := strings.Cut(place, "-")
		if !dotted {
			bit = "1"
		}
		assert.Equal(t, number(t, row[0]), int(p.Group), row[5])
		assert.Equal(t, number(t, first), int(p.Byte), row[5])
		assert.Equal(t, number(t, bit), int(p.Bit), row[5])
		assert.Equal(t, number(t, row[9]), int(p.Bits), row[5])
		assert.Equal(t, row[5], p.Name)
		assert.Equal(t, row[8], p.Unit, row[5])
		scale := rat(t, strings.TrimSuffix(row[6], "."))
		offset := rat(t, strings.TrimSuffix(row[7], "."))
		assert.Zero(t, scale.Cmp(big.NewRat(p.Linear.Num, p.Linear.Den)), row[5])
		assert.Zero(t, offset.Cmp(big.NewRat(p.Linear.Off, p.Linear.Den)), row[5])
		assert.NotEmpty(t, j1939.GroupName(p.Group))
		n++
	}
	assert.Equal(t, 110, n)
	fits := 0
	for p := range j1939.Parameters() {
		assert.LessOrEqual(t, 8*(int(p.Byte)-1)+int(p.Bit)-1+int(p.Bits), 64, p.Name)
		fits++
	}
	assert.Equal(t, 110+16, fits)
}

func TestParameterVectors(t *testing.T) {
	for _, row := range rows(t, "params.tsv") {
		b := newBus(t, j1939.Options{})
		r := b.Push(0, hexID(t, row[0]), hexData(t, row[1]))
		assert.Equal(t, number(t, row[2]), int(r.Message.ID.Group))
		wants := strings.Split(row[3], ";")
		assert.Len(t, r.Values, len(wants), row[1])
		for _, want := range wants {
			spn, value, _ := strings.Cut(want, "=")
			assertValue(t, value, find(t, r.Values, number(t, spn)))
		}
	}
}

func TestPublishedVectors(t *testing.T) {
	for _, row := range rows(t, "vectors.tsv") {
		kind, id, data, want := row[0], row[1], row[2], row[3]
		t.Run(kind+" "+data, func(t *testing.T) {
			switch kind {
			case "EEC1", "HOURS", "VH":
				r := newBus(t, j1939.Options{}).Push(0, hexID(t, id), hexData(t, data))
				for _, w := range strings.Split(want, ";") {
					name, value, _ := strings.Cut(w, "=")
					assertValue(t, value, find(t, r.Values, number(t, strings.TrimPrefix(name, "SPN"))))
				}
			case "DTC":
				assert.Equal(t, want, codeText(j1939.DecodeCode([4]byte(hexData(t, data)), j1939.Conversion3)))
			case "DM1BAM":
				frames, err := j1939.AppendBroadcast(nil, 6, j1939.GroupActiveCodes, 0, hexData(t, data))
				require.NoError(t, err)
				var got []string
				b := newBus(t, j1939.Options{})
				for _, f := range frames {
					if r := b.Push(0, f.ID, f.Payload()); r.Codes != nil {
						for _, c := range r.Codes.List {
							got = append(got, strings.ReplaceAll(codeText(c), " OC", "/"))
						}
					}
				}
				assert.Equal(t, strings.TrimSuffix(want, " (reassembled 18 B)"), strings.Join(got, " "))
			case "DM1", "DM2":
				r := newBus(t, j1939.Options{}).Push(0, hexID(t, id), hexData(t, data))
				require.NotNil(t, r.Codes)
				if want == "no active DTC" {
					assert.Empty(t, r.Codes.List)
					return
				}
				require.Len(t, r.Codes.List, 1)
				assert.Contains(t, want, codeText(r.Codes.List[0]))
				if strings.HasPrefix(want, "MIL=1") {
					assert.Equal(t, j1939.Lamp{State: j1939.LampOn, Flash: j1939.FlashNone}, r.Codes.Lamps.Malfunction)
				}
				if strings.Contains(want, "lamps NA") {
					na := j1939.Lamp{State: j1939.LampNotAvailable, Flash: j1939.FlashNone}
					assert.Equal(t, j1939.Lamps{Malfunction: na, Stop: na, Warning: na, Protect: na}, r.Codes.Lamps)
				}
			default:
				t.Fatalf("vector of a kind that nothing tests: %s", kind)
			}
		})
	}
}

// codeText writes a code as the vectors do: number/mode, CM1 where the conversion bit is set, the count.
func codeText(c j1939.Code) string {
	text := strconv.Itoa(int(c.SPN)) + "/" + strconv.Itoa(int(c.FMI))
	if c.Old {
		text += " CM1"
	}
	return text + " OC" + strconv.Itoa(int(c.Count))
}

func TestCodeMessageVectors(t *testing.T) {
	for _, row := range rows(t, "dm1.tsv") {
		b := newBus(t, j1939.Options{})
		var codes *j1939.Codes
		for _, text := range strings.Fields(row[0]) {
			f, err := j1939.ParseFrame(text)
			require.NoError(t, err)
			codes = b.Push(0, f.ID, f.Payload()).Codes
		}
		require.NotNil(t, codes, row[0])
		l := codes.Lamps
		assert.Equal(t, row[1], commas(l.Protect.State, l.Warning.State, l.Stop.State, l.Malfunction.State), row[0])
		assert.Equal(t, row[2], commas(l.Protect.Flash, l.Warning.Flash, l.Stop.Flash, l.Malfunction.Flash), row[0])
		var got []string
		for _, c := range codes.List {
			got = append(got, strings.ReplaceAll(codeText(c), " OC", "/"))
		}
		if len(got) == 0 {
			got = []string{"none"}
		}
		assert.Equal(t, row[3], strings.Join(got, " "))
	}
}

func commas[T ~uint8](list ...T) string {
	var text []string
	for _, v := range list {
		text = append(text, strconv.Itoa(int(v)))
	}
	return strings.Join(text, ",")
}
