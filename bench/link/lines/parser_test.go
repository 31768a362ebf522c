package lines

import (
	"errors"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
)

// The check sum of NMEA 0183: exclusive or of what stands between $ and *
// (X-19, R package em38; confirmed, recomputed).
func TestPublishedCheckSum(t *testing.T) {
	const body = "GPGGA,015808.00,2726.53758,S,15126.05255,E,1,08,1.0,365.1,M,39.5,M,,"
	for _, line := range []string{body + "*79", "$" + body + "*79"} {
		got, ok := checkSum([]byte(line))
		assert.True(t, ok)
		assert.Equal(t, body, string(got))
	}
	for _, wrong := range []string{body + "*78", body + "*7", body + "79", "*79", "", "*", body + "*7g", "x" + body + "*79"} {
		_, ok := checkSum([]byte(wrong))
		assert.False(t, ok, wrong)
	}
}

func testFormat(t testing.TB) *Format {
	data, err := os.ReadFile("testdata/logger.toml")
	require.NoError(t, err)
	f, err := Load("logger.toml", data)
	require.NoError(t, err)
	return f
}

// plainFormat is three plain columns without check sum.
func plainFormat(t testing.TB, delimiter string) *Format {
	f, err := Load("plain.toml", []byte(fmt.Sprintf(`title = "plain"
delimiter = %q
checksum = "none"
column = [{name = "a", unit = "1", scale = "1"}, {name = "b", unit = "A", scale = "0.5 A", max = "100 A"}, {name = "c", unit = "1", scale = "1"}]
`, delimiter)))
	require.NoError(t, err)
	return f
}

// sealed puts the check sum behind a line.
func sealed(body string) string {
	var sum byte
	for i := range len(body) {
		sum ^= body[i]
	}
	return fmt.Sprintf("%s*%02X\r\n", body, sum)
}

// run feeds a text in pieces and gives what came of it: values or the kind of
// error, one word a line.
func run(p *Parser, pieces ...string) (out []string) {
	for _, piece := range pieces {
		p.Feed([]byte(piece), time.Time{}, func(s link.Sample, err error) {
			if err != nil {
				var e *LineError
				if !errors.As(err, &e) {
					out = append(out, "untyped: "+err.Error())
					return
				}
				out = append(out, strings.TrimSpace(e.Column+" "+kindOf(e.Err)))
				return
			}
			out = append(out, fmt.Sprint(s.Values))
		})
	}
	return out
}

func kindOf(err error) string {
	for name, kind := range map[string]error{
		"half": ErrHalf, "noise": ErrNoise, "too long": ErrTooLong, "columns": ErrColumns, "number": ErrNumber, "sum": ErrSum,
	} {
		if err == kind {
			return name
		}
	}
	var impossible *link.ImpossibleError
	if errors.As(err, &impossible) {
		return "impossible"
	}
	return "untyped: " + err.Error()
}

func TestLineOfTheLogger(t *testing.T) {
	p := NewParser(testFormat(t))
	assert.Equal(t, []string{"half"}, run(p, "\n"), "the first line is joined somewhere in the middle")
	got := run(p, sealed("1500;48.25;-123;xyz;3000;-5"), "$"+sealed("1500;48.25;-123;xyz;3000;-5"))
	assert.Equal(t, got[0], got[1])
	p.Feed([]byte(sealed("1500;48.25;-123;xyz;3000;-5")), time.Unix(7, 0), func(s link.Sample, err error) {
		require.NoError(t, err)
		assert.InDeltaSlice(t, []float64{1.5, 48.25, -12.3, 100 * math.Pi, 272.65}, s.Values, 1e-9, "SI: s, V, A, rad/s, K")
		assert.Equal(t, time.Unix(7, 0), s.At)
	})
}

func TestEachBadLineIsItsOwnError(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"good", "1;2;3\n", "[1 1 3]"},
		{"carriage return", "1;2;3\r\n", "[1 1 3]"},
		{"spaces around", " 1 ;\t2 ; 3 \n", "[1 1 3]"},
		{"signs and exponents", "-1.5e1;+2;.5\n", "[-15 1 0.5]"},
		{"too few", "1;2\n", "columns"},
		{"too many", "1;2;3;4\n", "columns"},
		{"half a line and a whole one glued", "1;21;2;3\n", "columns"},
		{"no number", "1;two;3\n", "b number"},
		{"empty column", "1;;3\n", "b number"},
		{"infinity", "inf;2;3\n", "a number"},
		{"not a number", "nan;2;3\n", "a number"},
		{"hexadecimal", "0x10;2;3\n", "a number"},
		{"underscore", "1_0;2;3\n", "a number"},
		{"too large a number", "1e999;2;3\n", "a number"},
		{"comma for a point", "1,5;2;3\n", "a number"},
		{"can't be", "1;201;3\n", "b impossible"},
		{"noise", "1;\x002;3\n", "noise"},
		{"high bytes", "1;2;\xff3\n", "noise"},
		{"remark", "# 1;2;3\n", ""},
		{"empty", "\n\r\n", ""},
		{"endless", strings.Repeat("1;2;3;", 500) + "\n", "too long"},
		{"longest", "1;2;" + strings.Repeat("0", maxLine-5) + "3\n", "[1 1 3]"},
		{"one longer", "1;2;" + strings.Repeat("0", maxLine-4) + "3\n", "too long"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := NewParser(plainFormat(t, ";"))
			run(p, "\n")
			out := run(p, c.text, "4;5;6\n")
			var want []string
			if c.want != "" {
				want = []string{c.want}
			}
			assert.Equal(t, append(want, "[4 2.5 6]"), out, "and the next line is read again")
			s := p.Stats()
			assert.Equal(t, s.Lines, s.Samples+s.Remarks+s.Bad(), "every line is counted once: %+v", s)
		})
	}
}

func TestEachCheckSumMistake(t *testing.T) {
	good := sealed("1500;48.25;-123;xyz;3000;-5")
	for i := range len(good) - 2 { // any one byte changed
		bad := []byte(good)
		bad[i] ^= 0x01
		p := NewParser(testFormat(t))
		run(p, "\n")
		out := run(p, string(bad))
		require.Len(t, out, 1)
		assert.NotContains(t, out[0], "[", "%q was believed", bad)
	}
}

func TestDelimiters(t *testing.T) {
	for delimiter, line := range map[string]string{",": "1,2,3\n", ";": "1;2;3\n", "tab": "1\t2\t3\n", "space": "  1 \t 2   3 \n"} {
		p := NewParser(plainFormat(t, delimiter))
		run(p, "\n")
		assert.Equal(t, []string{"[1 1 3]"}, run(p, line), delimiter)
		assert.Equal(t, []string{"columns"}, run(p, "1\n"), delimiter)
	}
}

// A line whose rest never came is not joined to what comes after the silence.
func TestBreakInsideALine(t *testing.T) {
	p := NewParser(plainFormat(t, ";"))
	run(p, "\n1;2")
	p.breakOff()
	assert.Equal(t, []string{"half", "[4 2.5 6]"}, run(p, "0;3\n4;5;6\n"))
	p.breakOff() // between lines: no harm
	assert.Equal(t, []string{"[7 4 9]"}, run(p, "7;8;9\n"))
}

// However the bytes are cut, the same comes out.
func TestCutsDoNotMatter(t *testing.T) {
	format := testFormat(t)
	rapid.Check(t, func(t *rapid.T) {
		pieces := rapid.SliceOf(rapid.OneOf(
			rapid.Just(sealed("1500;48.25;-123;xyz;3000;-5")), rapid.Just(sealed("0;0;0;;0;0")), rapid.Just("1500;48.25;\n"),
			rapid.StringMatching(`[0-9;*\r\n#\x00\xff]{0,40}`), rapid.Just(strings.Repeat("x", 600)),
		)).Draw(t, "text")
		text := strings.Join(pieces, "")
		whole := NewParser(format)
		want := run(whole, text)
		var cut []string
		for left := text; left != ""; {
			n := rapid.IntRange(1, len(left)).Draw(t, "cut")
			cut, left = append(cut, left[:n]), left[n:]
		}
		p := NewParser(format)
		require.Equal(t, want, run(p, cut...))
		require.Equal(t, whole.Stats(), p.Stats())
		s := p.Stats()
		require.Equal(t, s.Lines, s.Samples+s.Remarks+s.Bad())
		require.EqualValues(t, len(text), s.Bytes)
	})
}

func TestEachMistakeInAColumnList(t *testing.T) {
	data, err := os.ReadFile("testdata/logger.toml")
	require.NoError(t, err)
	for _, c := range []struct{ old, new, problem string }{
		{`delimiter = ";"`, `delimiter = ":"`, "delimiter"},
		{`checksum = "xor"`, ``, "checksum is missing"},
		{`name = "voltage"`, `name = "Voltage"`, `"Voltage" is no name`},
		{`name = "voltage"`, `name = "time"`, "column time comes twice"},
		{"name = \"voltage\"\n", "", "name is missing"},
		{`scale = "1 V"`, `scale = "1 A"`, "a voltage is wanted"},
		{"ignore = true", "ignore = true\nunit = \"A\"", "of a column that is ignored"},
		{`stale_after = "100 ms"`, `stale_after = "1 ms"`, "50 ms"},
		{`max = "100 V"`, `max = "-1 V"`, "max is not above min"},
	} {
		require.Contains(t, string(data), c.old)
		_, err := Load("logger.toml", []byte(strings.Replace(string(data), c.old, c.new, 1)))
		var problems datafile.Problems
		require.ErrorAs(t, err, &problems, c.problem)
		assert.Contains(t, err.Error(), c.problem)
	}
	_, err = Load("x.toml", []byte("title = \"x\"\nchecksum = \"none\"\ncolumn = [{ignore = true}]\n"))
	assert.ErrorContains(t, err, "no column is a reading")
	_, err = Load("x.toml", []byte("title = \"x\"\nchecksum = \"none\"\n"))
	assert.ErrorContains(t, err, "column")
}

func FuzzParser(f *testing.F) {
	f.Add([]byte(sealed("1500;48.25;-123;xyz;3000;-5")), 7)
	f.Add([]byte("\n1;2;3\n# x\r\n\xff\x00;;;*00\n"), 1)
	format := testFormat(f)
	f.Fuzz(func(t *testing.T, data []byte, cut int) {
		p := NewParser(format)
		check := func(s link.Sample, err error) {
			if err != nil {
				var e *LineError
				require.True(t, errors.As(err, &e))
				require.Nil(t, s.Values)
				return
			}
			require.Len(t, s.Values, 5)
			for _, v := range s.Values {
				require.False(t, math.IsNaN(v) || math.IsInf(v, 0))
			}
		}
		cut = min(max(cut, 0), len(data))
		p.Feed(data[:cut], time.Time{}, check)
		p.Feed(data[cut:], time.Time{}, check)
		s := p.Stats()
		require.Equal(t, s.Lines, s.Samples+s.Remarks+s.Bad())
	})
}

func FuzzLoad(f *testing.F) {
	data, err := os.ReadFile("testdata/logger.toml")
	require.NoError(f, err)
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		format, err := Load("fuzz.toml", data)
		if err != nil {
			return
		}
		NewParser(format).Feed([]byte("\n1;2;3\n"), time.Time{}, func(link.Sample, error) {})
	})
}
