package fleet_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/hourbell/hourbell/internal/fleet"
	"github.com/hourbell/hourbell/internal/maintenance/civil"
	"github.com/hourbell/hourbell/internal/maintenance/hours"
)

func day(t *testing.T, y, m, d int) civil.Date {
	t.Helper()
	out, ok := civil.Of(y, m, d)
	require.True(t, ok)
	return out
}

// TestOneFleetWrittenInSeveralWays: what a spreadsheet makes of it does not
// matter.
func TestOneFleetWrittenInSeveralWays(t *testing.T) {
	const plain = "machine,display,customer,site,chart,trait:unloader,hours:engine,last:hour-50,last:hour-250\n" +
		"stubble-7,\"Old Seven, green roof\",tallow-fen,low-barn,ossa-rotary,long,1412.5,1380,unknown\n"
	semicolons := "machine;display;customer;site;chart;trait:unloader;hours:engine;last:hour-50;last:hour-250\n" +
		"stubble-7;Old Seven, green roof;tallow-fen;low-barn;ossa-rotary;long;1412,5;1380;\n"
	for name, src := range map[string]string{
		"commas": plain, "semicolons and decimal commas": semicolons, "a mark of UTF-8": "\xef\xbb\xbf" + semicolons, "DOS lines": strings.ReplaceAll(semicolons, "\n", "\r\n"),
		"no last line end": strings.TrimSuffix(plain, "\n"), "empty rows": semicolons + ";;;;;;;;\n\n", "blanks and capitals": strings.NewReplacer("machine;", " Machine ;", "trait:", "Trait: ", ";long", "; long ").Replace(semicolons),
		"quoted": strings.Replace(semicolons, "1412,5", `"1412,5"`, 1), "decimal points between semicolons": strings.Replace(semicolons, "1412,5", "1412.5", 1),
	} {
		f, err := fleet.Parse("f.csv", []byte(src))
		require.NoError(t, err, name)
		require.Len(t, f.Rows, 1, name)
		r := f.Rows[0]
		assert.Equal(t, []string{"stubble-7", "Old Seven, green roof", "tallow-fen", "low-barn", "ossa-rotary", ""},
			[]string{r.Machine.Text, r.Display.Text, r.Customer.Text, r.Site.Text, r.Chart.Text, r.Attachment.Text}, name)
		require.Len(t, r.Traits, 1, name)
		assert.Equal(t, "unloader", r.Traits[0].Name, name)
		assert.Equal(t, "long", r.Traits[0].Text, name)
		require.Len(t, r.Hours, 1, name)
		assert.Equal(t, 1412*hours.Hour+hours.Hour/2, r.Hours[0].Shown, name)
		assert.Equal(t, hours.Hour/10, r.Hours[0].Step, name)
		require.Len(t, r.Last, 2, name)
		assert.Equal(t, 1380*hours.Hour, r.Last[0].Shown, name)
		assert.True(t, r.Last[0].Known && r.Last[0].HasHours && !r.Last[0].Date.Known(), name)
		assert.False(t, r.Last[1].Known, name)
		assert.Equal(t, civil.None, r.AsOf.Date, name)
		assert.True(t, f.Has("last:hour-250") && f.Has("machine") && !f.Has("as_of"), name)
	}
}

func TestWhenARoundWasLastDone(t *testing.T) {
	f, err := fleet.Parse("f.csv", []byte("machine,as_of,last:a,last:b,last:c,last:d\nm-1,2031-07-14 18:30,2031-03-02,980.25 2031-03-02,Unknown,\nm-2,2031-07-14,,,,\n"))
	require.NoError(t, err)
	march, july := day(t, 2031, 3, 2), day(t, 2031, 7, 14)
	last := f.Rows[0].Last
	assert.True(t, last[0].Known && !last[0].HasHours)
	assert.Equal(t, march, last[0].Date)
	assert.True(t, last[1].Known && last[1].HasHours)
	assert.Equal(t, march, last[1].Date)
	assert.Equal(t, 980*hours.Hour+hours.Hour/4, last[1].Shown)
	assert.False(t, last[2].Known || last[3].Known)
	assert.Equal(t, fleet.AsOf{Date: july, Minutes: 18*60 + 30, Place: fleet.Place{Line: 2, Column: 5}}, f.Rows[0].AsOf)
	assert.Equal(t, -1, f.Rows[1].AsOf.Minutes)
}

// TestMistakes holds every mistake to its words and its place.
func TestMistakes(t *testing.T) {
	for name, c := range map[string]struct{ src, want string }{
		"nothing":          {"", "f.csv: the file names no machine; want a row of column names, and a row for each machine"},
		"no rows":          {"machine,site\n", "f.csv: the file names no machine; want a row of column names, and a row for each machine"},
		"no machine":       {"site,chart\na,b\n", `f.csv:1:1: the column "machine" is missing; name it in the first row` + "\n" + `f.csv:2:1: the row names no machine; give the machine's id`},
		"misspelt":         {"machine,sitte\nm,a\n", `f.csv:1:9: there is no column "sitte"; did you mean "site"?`},
		"misspelt prefix":  {"machine,huors:engine\nm,5\n", `f.csv:1:9: there is no column "huors:engine"; did you mean "hours:engine"?`},
		"prefix alone":     {"machine,hours\nm,5\n", `f.csv:1:9: there is no column "hours"; did you mean "hours:NAME"?`},
		"prefix of none":   {"machine,last:\nm,5\n", `f.csv:1:9: the column "last:" names nothing; want last:NAME`},
		"far from all":     {"machine,colour\nm,5\n", `f.csv:1:9: there is no column "colour"; the columns are machine, display, customer, site, chart, as_of, attachment, trait:NAME, hours:METER and last:ROUND`},
		"no name":          {"machine,,site\nm,,x\n", `f.csv:1:9: a column has no name; name it, or take it out`},
		"twice":            {"machine,hours:engine,hours:engine\nm,5,6\n", `f.csv:1:22: the column "hours:engine" stands here a second time; leave one of the two out`},
		"same machine":     {"machine\nm-1\nm-2\nm-1\n", `f.csv:4:1: machine m-1 stands in line 2 already; leave one of the two rows out`},
		"unnamed":          {"machine,site\n,a\n", `f.csv:2:1: the row names no machine; give the machine's id`},
		"too many":         {"machine,hours:engine\nm,1412,5\n", `f.csv:2:8: the row has 3 fields; want 2, as the first row has; write decimals with a point, or put a field with a comma in quotes`},
		"too many again":   {"machine;display\nm;a;b\n", `f.csv:2:5: the row has 3 fields; want 2, as the first row has; put a field with a semicolon in quotes`},
		"hours":            {"machine,hours:engine\nm,about 900\n", `f.csv:2:3: "about 900" are no hours; want hours with at most two decimals, as 1234.5`},
		"comma as point":   {"machine,hours:engine\nm,\"900,5\"\n", `f.csv:2:3: "900,5" are no hours; want hours with at most two decimals, as 1234.5`},
		"below nothing":    {"machine;hours:engine\nm;-5\n", `f.csv:2:3: "-5" are no hours; want hours with at most two decimals, as 1234,5`},
		"too fine":         {"machine;hours:engine\nm;5,125\n", `f.csv:2:3: "5,125" are no hours; want hours with at most two decimals, as 1234,5`},
		"too much":         {"machine;hours:engine\nm;1000001\n", `f.csv:2:3: 1000001 hours are more than any machine runs; want hours with at most two decimals, as 1234,5`},
		"characters count": {"machine;display;hours:engine\nm;Grünmöwe;x\n", `f.csv:2:12: "x" are no hours; want hours with at most two decimals, as 1234,5`},
		"a field of lines": {"machine;display;hours:engine\nm;\"two\nlines\";x\n", `f.csv:3:8: "x" are no hours; want hours with at most two decimals, as 1234,5`},
		"no such day":      {"machine,last:a\nm,2031-02-29\n", `f.csv:2:3: "2031-02-29" is no day of the calendar; want a day as 2031-07-14`},
		"two hours":        {"machine,last:a\nm,900 910\n", `f.csv:2:3: "900 910" does not say when the round was last done; want hours, a day, both, or unknown`},
		"too much said":    {"machine,last:a\nm,some time in spring\n", `f.csv:2:3: "some time in spring" does not say when the round was last done; want hours, a day, both, or unknown`},
		"clock":            {"machine,as_of\nm,2031-07-14 25:00\n", `f.csv:2:3: "25:00" is no clock time; want a day, or a day and clock time as 2031-07-14 18:30`},
		"as of a day":      {"machine,as_of\nm,14.07.2031\n", `f.csv:2:3: "14.07.2031" is no day of the calendar; want a day as 2031-07-14`},
		"too long":         {"machine,display\nm," + strings.Repeat("x", 129) + "\n", `f.csv:2:3: the field has 129 characters; want at most 128`},
		"open quote":       {"machine,display\nm,\"x\n", `f.csv:2:5: a quote is not closed, or something stands behind it; close it, and write a quote inside quotes twice`},
		"bare quote":       {"machine,display\nm,6\" auger\n", `f.csv:2:4: a quote stands in a field without quotes around it; put the whole field in quotes, and write a quote in it twice`},
		"another coding":   {"machine,display\nm,Gr\xfcn\n", `f.csv:2:5: byte 0xfc is no text in UTF-8; save the file as CSV in UTF-8`},
		"wide characters":  {"\xff\xfem\x00", `f.csv: the file is UTF-16; want UTF-8; save it as CSV in UTF-8`},
		"too large":        {strings.Repeat("x", 1<<20+1), `f.csv: the file has 1048577 bytes; want at most 1048576; cut it in two`},
		"all at once": {"machine;hours:engine;last:hour-50\na;x;1\nb;2;y\n;3;\n", `f.csv:2:3: "x" are no hours; want hours with at most two decimals, as 1234,5` + "\n" +
			`f.csv:3:5: "y" are no hours; want hours with at most two decimals, as 1234,5` + "\n" + `f.csv:4:1: the row names no machine; give the machine's id`},
	} {
		t.Run(name, func(t *testing.T) {
			f, err := fleet.Parse("f.csv", []byte(c.src))
			assert.EqualError(t, err, c.want)
			assert.Empty(t, f.Rows, "nothing is given of a file with a mistake")
		})
	}
}

func TestLimits(t *testing.T) {
	_, err := fleet.Parse("f.csv", []byte("machine\n"+strings.Repeat("m\n", 300)))
	var list fleet.Errors
	require.ErrorAs(t, err, &list)
	assert.Len(t, list, fleet.MaxErrors+1)
	assert.Equal(t, "99 more mistakes are not listed", list[fleet.MaxErrors].What, "299 repeat the first")
	_, err = fleet.Parse("f.csv", []byte("machine"+strings.Repeat(",x", 200)+"\n"))
	require.ErrorContains(t, err, "f.csv:1:407: the file has 201 columns; want at most 200")
}

// FuzzParse: whatever the bytes are, they are read or refused with places in the
// file.
func FuzzParse(f *testing.F) {
	f.Add([]byte("machine;hours:engine\nm;1,5\n"))
	f.Add([]byte("\xef\xbb\xbfmachine,last:a\n\"m\",unknown\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		got, err := fleet.Parse("f", src)
		if err == nil && len(got.Rows) == 0 {
			t.Error("read, and no machine in it")
		}
		list, is := err.(fleet.Errors)
		for _, e := range list {
			if e.What == "" || e.Line < 0 || e.Line > strings.Count(string(src), "\n")+2 {
				t.Errorf("a mistake at %d:%d: %q", e.Line, e.Column, e.What)
			}
		}
		if err != nil && !is {
			t.Errorf("%T", err)
		}
	})
}
