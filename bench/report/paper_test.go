package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

func html(t testing.TB, p *Paper) string {
	t.Helper()
	var out bytes.Buffer
	require.NoError(t, p.HTML(&out))
	return out.String()
}

// outline reads a page as XML, which is stricter than HTML: its elements with their attributes' names in order, and all its
// texts and attribute values.
func outline(t testing.TB, page string) (elements []string, texts string) {
	t.Helper()
	_, body, ok := strings.Cut(page, "<!DOCTYPE html>")
	require.True(t, ok)
	d := xml.NewDecoder(strings.NewReader(body))
	var all strings.Builder
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return elements, all.String()
		}
		require.NoError(t, err)
		switch k := token.(type) {
		case xml.StartElement:
			name := k.Name.Local
			for _, a := range k.Attr {
				name += " " + a.Name.Local
				all.WriteString(a.Value + "\n")
			}
			elements = append(elements, name)
		case xml.CharData:
			all.Write(k)
		}
	}
}

// TestHTML: every kind of report is well formed, has what a report must have, and asks for nothing from outside.
func TestHTML(t *testing.T) {
	for name, p := range papers(t) {
		t.Run(name, func(t *testing.T) {
			page := html(t, p)
			elements, texts := outline(t, page)
			for _, word := range []string{p.Boat.Name, caution, "Settings", "limits.motor_current", "The boat's data", "battery cable", "data sheet", "How this was made", p.Made.Command, p.Made.BoatHash, p.Settings.Hash(), "0.0-test"} {
				assert.Contains(t, texts, word)
			}
			for _, e := range elements {
				assert.NotRegexp(t, `^(link|img|iframe|object|embed|form|base)\b`, e)
			}
			assert.NotRegexp(t, regexp.MustCompile(`(?i)(src|href|action)="[^#"]`), page, "a reference to outside")
			assert.NotContains(t, strings.ReplaceAll(page, "http://www.w3.org/2000/svg", ""), "http")
			assert.NotContains(t, page, "@import")
			assert.NotContains(t, page, "NaN")
			assert.Equal(t, 1, strings.Count(page, "<script"))
			assert.Equal(t, page, html(t, p), "the same twice")
		})
	}
}

// TestTryReport: the head says what the reader must know first.
func TestTryReport(t *testing.T) {
	d := triedPaper(t, "hot-restart", "locked-shaft").document()
	require.NotNil(t, d.Verdict)
	assert.Equal(t, "over", d.Verdict.Word())
	assert.Equal(t, []line{{Name: "proposed", Text: "limits.motor_current 240 A instead of 140 A"}}, d.Lead)
	assert.Contains(t, d.Sentence, "winding passes its limit of 155 °C")
	require.NotNil(t, d.First)
	assert.Contains(t, d.First.Text, "winding passes its limit (motor current), after")
	assert.Equal(t, caution, d.Caution)
	text := ""
	for _, s := range d.Sections {
		text += s.Title + "\n"
	}
	assert.Equal(t, "To change\nParts\nProposed: rules that need no simulation\nTrials\nGained and given up\nSpent\nHow sure\nTrial hot-restart\nOther trials\nSettings\nThe boat's data\nHow this was made\n", text)
}

// TestSettingsBesideTheApproved: what differs from the approved version is marked, and counted in words.
func TestSettingsBesideTheApproved(t *testing.T) {
	p := paperOf(t, papers(t)["odds"].Result)
	approved, err := p.Settings.With("ramp.rise", "3 s")
	require.NoError(t, err)
	p.Approved = &Approved{Settings: approved, Version: "v3 (abcd)", By: "somebody", When: made().When, Despite: "the yard wants it so"}
	_, texts := outline(t, html(t, p))
	for _, words := range []string{"version v3 (abcd), by somebody on 4 May 2026; one setting differs from it", "≠ 3 s", "although its verdict was over: the yard wants it so"} {
		assert.Contains(t, texts, words)
	}
	p.Approved.Settings = p.Settings
	_, texts = outline(t, html(t, p))
	assert.Contains(t, texts, "the settings are those of it")
	assert.NotContains(t, texts, "≠")
}

// TestBoatData: every value that the boat file states is there, with its tolerance and where it comes from.
func TestBoatData(t *testing.T) {
	got := map[string]boatValue{}
	group := ""
	for _, v := range boatValues(petrel(t)) {
		if v.group != "" {
			group = v.group
			continue
		}
		got[group+" / "+v.key] = v
	}
	for key, want := range map[string][3]string{
		"battery / capacity":                      {"200 A·h", "5 %", "data sheet"},
		"battery / resistance":                    {"7.00 mΩ", "15 %", "measured"},
		"battery / rated_time":                    {"20.0 h", "", "default"},
		"cable “motor cable” / length":            {"1.60 m", "", "measured"},
		"joint “switch stud” / resistance":        {"120 µΩ", "50 %", "estimated"},
		"battery, management / discharge_current": {"220 A", "", "data sheet"},
		" / close": {"90 %", "", "default"},
	} {
		v, ok := got[key]
		if assert.True(t, ok, key) {
			assert.Equal(t, want, [3]string{v.text, v.tolerance, v.from}, key)
		}
	}
	assert.Greater(t, len(got), 130)
}

// TestScriptIsAName: a boat called <script> shows as its name, in the page and in its title, and runs nothing.
func TestScriptIsAName(t *testing.T) {
	const name = `<script>alert("1")</script>`
	page := html(t, named(t, name))
	assert.Equal(t, 1, strings.Count(page, "<script"), "only our own")
	assert.Contains(t, page, "<title>&lt;script&gt;")
	_, texts := outline(t, page)
	assert.Contains(t, texts, name)
}

// FuzzNames: whatever the words in the files, the page has the same elements as with plain words, shows them as words, and
// PDF, SVG and PNG are written.
func FuzzNames(f *testing.F) {
	for _, s := range []string{"petrel", "<script>", `"><img src=x onerror=alert(1)>`, "'; alert(1); '", "</style><script>", "]]>", "&lt;", "{{.}}", "a\x00b", "\u202Egnp.exe", "𝄞", "日本", "javascript:alert(1)", strings.Repeat("wide ", 60), "`${1}`", "\\", "%s", "é", "\xff"} {
		f.Add(s)
	}
	plainPage := ""
	f.Fuzz(func(t *testing.T, name string) {
		if plainPage == "" {
			plainPage = html(t, named(t, "petrel"))
		}
		if len(name) > 400 || !utf8.ValidString(name) || plain(name) == "" {
			return // no file holds such texts
		}
		p := named(t, name)
		page := html(t, p)
		want, _ := outline(t, plainPage)
		got, texts := outline(t, page)
		if name == plain(name) {
			assert.Contains(t, texts, name)
		}
		// A long name wraps the words of a chart; the page around the charts stays as it is.
		assert.Equal(t, without(want), without(got))
		require.NoError(t, p.PDF(io.Discard))
		var out bytes.Buffer
		require.NoError(t, p.Sheet().SVG(&out))
		skeleton(t, out.String())
	})
}

// without leaves out what lies in pictures.
func without(elements []string) (out []string) {
	for _, e := range elements {
		switch strings.Fields(e)[0] {
		case "polyline", "polygon", "text":
		default:
			out = append(out, e)
		}
	}
	return out
}

// TestOutingIsSmall: a report of a two-hour outing is under 1 MB.
func TestOutingIsSmall(t *testing.T) {
	page := html(t, triedPaper(t, "two-hour-outing"))
	t.Logf("%d kB", len(page)/1000)
	assert.Less(t, len(page), 1_000_000)
}

func BenchmarkOuting(b *testing.B) {
	p := triedPaper(b, "two-hour-outing")
	for b.Loop() {
		require.NoError(b, p.HTML(io.Discard))
	}
}

func BenchmarkOutingPDF(b *testing.B) {
	p := triedPaper(b, "two-hour-outing")
	for b.Loop() {
		require.NoError(b, p.PDF(io.Discard))
	}
}

// TestPDF: every kind of report becomes a PDF. What a reader of its own finds in it is in the slow suite.
func TestPDF(t *testing.T) {
	for name, p := range papers(t) {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			require.NoError(t, p.PDF(&out))
			assert.True(t, bytes.HasPrefix(out.Bytes(), []byte("%PDF-1.")))
			assert.Greater(t, out.Len(), 10_000)
		})
	}
}

// TestForecastIsOneDocument: what a step test is expected to show is said once, on the screen before it and in its report.
func TestForecastIsOneDocument(t *testing.T) {
	f := &Forecast{Draws: 200, Readings: []ForecastReading{{Channel: "motor_speed", Unit: "rpm", Low: 0, High: 100 * math.Pi}}, Side: verdict.Side{Level: verdict.Close}}
	var screen bytes.Buffer
	require.NoError(t, (&Paper{Result: f}).Text(&screen, Screen{Width: 80, Table: 80}))
	assert.Equal(t, "predicted (band: 0.5 to 99.5 % of 200 draws over the tolerances, and the\ninstrument's error):\n  reading      lowest   highest\n  motor speed   0 rpm  3000 rpm\nverdict of the simulation: close\n", screen.String())
	step := paperOf(t, &Step{Measured: &record.Run{Trial: "none", Time: []float64{0}}, Predicted: smallRun(), Ended: "stopped by hand", Forecast: f})
	page := html(t, step)
	assert.Contains(t, page, "Predicted before the test")
	assert.Contains(t, page, "3000 rpm")
}
