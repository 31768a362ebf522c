package main

import (
	"fmt"
	"html"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"quaybench/bench/benchtest"
)

// One run is told on three papers: screen, JSON and report. The tests below read all three back as a person does, whatever
// writes them, and hold the figures against each other to the digits shown.

// partRow is what a screen or a report says of one part of one side.
type partRow struct{ Peak, When, Margin, Used, Verdict, Trial string }

var (
	screenPart = regexp.MustCompile(`^(\S.*?) +(motor|battery|-) +(\S+ \S+) \|(.*)$`)
	screenSide = regexp.MustCompile(`^ *(\S+ \S+) +(\S+ \S+) +(\S+ \S+(?: ± \S+ \S+)?) +((?:> )?\S+ %|-) +(clear|close|over|not judged) +(\S+) *$`)
	tableRow   = regexp.MustCompile(`(?s)<tr[^>]*>(.*?)</tr>`)
	tableCell  = regexp.MustCompile(`(?s)<t[hd][^>]*>(.*?)</t[hd]>`)
	anyTag     = regexp.MustCompile(`(?s)<svg.*?</svg>|<[^>]*>`)
)

// screenParts reads the table of parts of a screen: by part, then by side.
func screenParts(t *testing.T, text string) map[string][]partRow {
	t.Helper()
	out := map[string][]partRow{}
	for _, line := range strings.Split(text, "\n") {
		m := screenPart.FindStringSubmatch(line)
		if m == nil || m[1] == "part" {
			continue
		}
		for _, side := range strings.Split(m[4], " | ") {
			v := screenSide.FindStringSubmatch(side)
			require.NotNil(t, v, "a side of %q: %q", m[1], side)
			out[m[1]] = append(out[m[1]], partRow{v[1], v[2], v[3], v[4], v[5], v[6]})
		}
	}
	return out
}

// pageRows reads the cells of every table row of a section of a report.
func pageRows(t *testing.T, page, section string) (rows [][]string) {
	t.Helper()
	_, rest, ok := strings.Cut(page, `<section id="`+section+`"`)
	if !ok {
		return nil
	}
	rest, _, _ = strings.Cut(rest, "</section>")
	for _, row := range tableRow.FindAllStringSubmatch(rest, -1) {
		var cells []string
		for _, cell := range tableCell.FindAllStringSubmatch(row[1], -1) {
			text := html.UnescapeString(anyTag.ReplaceAllString(cell[1], ""))
			cells = append(cells, strings.TrimSpace(strings.Trim(text, " ●▲■○")))
		}
		rows = append(rows, cells)
	}
	return rows
}

// pageParts reads the table of parts of a report.
func pageParts(t *testing.T, page string) map[string][]partRow {
	t.Helper()
	out, part := map[string][]partRow{}, ""
	for _, cells := range pageRows(t, page, "parts") {
		switch {
		case len(cells) == 1:
			part, _, _ = strings.Cut(cells[0], ", by ")
			part, _, _ = strings.Cut(part, ", limit ")
		case len(cells) > 6 && part != "":
			out[part] = append(out[part], partRow{cells[1], cells[2], cells[3], cells[4], cells[5], cells[6]})
		}
	}
	return out
}

// agrees checks that a shown quantity is the exact one, to the digits shown; three of them at least count.
func agrees(t *testing.T, exact float64, shown string, units map[string]float64, why string) {
	t.Helper()
	number, unit, _ := strings.Cut(shown, " ")
	x, err := strconv.ParseFloat(number, 64)
	if !assert.NoError(t, err, "%q: %s", shown, why) {
		return
	}
	if per, ok := units[unit]; ok {
		exact /= per
	}
	_, decimals, _ := strings.Cut(number, ".")
	allowed := 0.5001 * math.Pow(10, -float64(len(decimals)))
	if digits := len(strings.Trim(strings.Replace(number, ".", "", 1), "-0")); len(decimals) == 0 && digits <= 3 {
		allowed = max(allowed, 0.00501*math.Abs(x)) // 1230 V stands for 1234 V
	}
	assert.InDelta(t, x, exact, allowed, "%q: %s", shown, why)
}

var (
	secondsPer = map[string]float64{"ms": 1e-3, "min": 60, "h": 3600, "d": 86400}
	metresPer  = map[string]float64{"km": 1000, "cm": 1e-2, "mm": 1e-3, "µm": 1e-6, "nm": 1e-9, "pm": 1e-12, "km/h": 1 / 3.6}
)

// checkAgreement runs one question three ways and compares.
func checkAgreement(t *testing.T, args []string, why string) (judged bool) {
	t.Helper()
	page := filepath.Join(t.TempDir(), "report.html")
	code, text, stderr := quaybench(t, nil, append([]string{"try", "--report", page}, args...)...)
	if code != exitClear && code != exitOver {
		return false
	}
	why += "\n" + stderr
	again, stdout, _ := quaybench(t, nil, append([]string{"try", "--json"}, args...)...)
	assert.Equal(t, code, again, why)
	whole := decode(t, stdout)
	data, err := os.ReadFile(page)
	require.NoError(t, err)
	report := string(data)

	verdict := whole["verdict"].(string)
	assert.Contains(t, text, "\nverdict: "+verdict+"\n", why)
	assert.Contains(t, report, "verdict: "+verdict, why)

	onScreen, onPage := screenParts(t, text), pageParts(t, report)
	assert.Equal(t, onScreen, onPage, why)
	for i, side := range []string{"present", "proposed"} {
		s, ok := whole[side].(object)
		if !ok {
			continue
		}
		seen, untried := map[string]bool{}, map[string]bool{}
		for _, tr := range list(t, s, "trials") {
			for _, p := range list(t, tr.(object), "parts") {
				part := p.(object)
				untried[part["part"].(string)] = untried[part["part"].(string)] || part["verdict"] == "not judged"
			}
		}
		for _, tr := range list(t, s, "trials") {
			for _, p := range list(t, tr.(object), "parts") {
				part := p.(object)
				name := part["part"].(string)
				rows := onScreen[name]
				if !assert.Greater(t, len(rows), i, "%s %s: %s", side, name, why) {
					continue
				}
				row, where := rows[i], fmt.Sprintf("%s %s: %s", side, name, why)
				used := math.Inf(1)
				if u, ok := part["used"].(float64); ok {
					used = u
				}
				if row.Trial != tr.(object)["trial"] { // the other trial is the worse one
					if share, err := strconv.ParseFloat(strings.TrimSuffix(row.Used, " %"), 64); err == nil {
						assert.LessOrEqual(t, 100*used, share+0.51, where)
					}
					continue
				}
				seen[name] = true
				agrees(t, part["peak"].(float64), row.Peak, nil, where)
				agrees(t, part["at_s"].(float64), row.When, secondsPer, where)
				margin, _, _ := strings.Cut(row.Margin, " ± ")
				agrees(t, part["margin"].(float64), margin, nil, where)
				of := part["verdict"]
				if of == "clear" && untried[name] { // in another trial, which a device cuts short
					of = "not judged"
				}
				assert.Equal(t, of, row.Verdict, where)
				if share := strings.TrimSuffix(row.Used, " %"); strings.HasPrefix(share, ">") {
					assert.GreaterOrEqual(t, used, 9.99, where)
				} else if row.Used != "-" {
					agrees(t, 100*max(0, used), share, nil, where)
				}
			}
		}
		assert.Len(t, seen, len(onScreen), "every row of %s is a trial's: %s", side, why)
	}
	checkFirst(t, whole, text, report, why)
	checkGains(t, whole, text, pageRows(t, report, "gain"), why)
	return true
}

// checkFirst compares what acts first: the sentence on screen is the report's, and its time is the JSON's.
func checkFirst(t *testing.T, whole object, text, report, why string) {
	t.Helper()
	side, ok := whole["proposed"].(object)
	if !ok {
		side = whole["present"].(object)
	}
	first, ok := side["first"].(object)
	if !ok {
		return
	}
	m := regexp.MustCompile(`(?s)\nfirst [^\n:]*: (.*?)\n\n`).FindStringSubmatch(text)
	if !assert.NotNil(t, m, "the screen names what acts first: %s", why) {
		return
	}
	sentence := strings.Join(strings.Fields(m[1]), " ")
	assert.Contains(t, sentence, first["what"], why)
	assert.Contains(t, html.UnescapeString(anyTag.ReplaceAllString(report, "")), sentence, why)
	if after := regexp.MustCompile(`after (\S+ \S+?) in | after (\S+ \S+?)\.?$`).FindStringSubmatch(sentence); after != nil {
		agrees(t, first["at_s"].(float64), after[1]+after[2], secondsPer, why)
	}
}

// checkGains compares speeds, thrust, endurance and distance.
func checkGains(t *testing.T, whole object, text string, page [][]string, why string) {
	t.Helper()
	keys := map[string]string{"top speed": "top_speed_mps", "thrust": "thrust_n", "endurance, to 10 % charge": "endurance_s", "distance, if the fuse holds": "distance_if_fuse_holds_m", "distance, if the fuse holds as long as a slow one does": "distance_if_fuse_holds_m", "distance": "distance_m", "distance until a fuse may open": "distance_m"}
	units := map[string]float64{}
	for _, m := range []map[string]float64{secondsPer, metresPer} {
		for k, v := range m {
			units[k] = v
		}
	}
	compared := 0
	for _, cells := range page {
		if len(cells) < 4 || keys[cells[1]] == "" {
			continue
		}
		// The same figures stand in one line of the screen.
		line := regexp.MustCompile(`(?m)^  ` + regexp.QuoteMeta(cells[0]) + ` +` + regexp.QuoteMeta(cells[1]) + ` +` + regexp.QuoteMeta(cells[2]) + ` +` + regexp.QuoteMeta(cells[3]) + ` `)
		assert.Regexp(t, line, text, "%v: %s", cells, why)
		for i, side := range []string{"present", "proposed"} {
			for _, tr := range list(t, whole[side].(object), "trials") {
				if tr.(object)["trial"] == cells[0] {
					if x, known := tr.(object)["gain"].(object)[keys[cells[1]]].(float64); known {
						agrees(t, x, cells[2+i], units, why)
					} else {
						assert.Equal(t, "-", cells[2+i], "%s has no figure: %s", cells[1], why)
					}
					compared++
				}
			}
		}
	}
	for _, tr := range list(t, whole["present"].(object), "trials") {
		if tr.(object)["gain"].(object)["top_speed_mps"] != nil && compared == 0 && whole["proposed"] != nil {
			if other := gainOf(t, whole["proposed"].(object), tr.(object)["trial"]); other["top_speed_mps"] != nil {
				assert.Fail(t, "no gain is shown", why)
			}
		}
	}
}

func gainOf(t *testing.T, side object, trial any) object {
	t.Helper()
	for _, tr := range list(t, side, "trials") {
		if tr.(object)["trial"] == trial {
			return tr.(object)["gain"].(object)
		}
	}
	return object{}
}

// TestScreenJSONAndReportAgree: the same figures stand on screen, in the JSON and in the report, of any boat.
func TestScreenJSONAndReportAgree(t *testing.T) {
	benchtest.Computes(t)
	seed, n := setting(t, "QUAYBENCH_SEED", 1), setting(t, "QUAYBENCH_BOATS", agreeingBoats)
	judged := 0
	for i := 0; judged < n && i < 8*n; i++ {
		b := drawBoat(t, rand.New(rand.NewPCG(uint64(seed), uint64(i))), t.TempDir())
		why := fmt.Sprintf("seed %d, boat %d: try %s", seed, i, strings.Join(b.args, " "))
		if checkAgreement(t, b.args, why) {
			judged++
			t.Logf("seed %d: %d boats compared, up to boat %d", seed, judged, i) // a run that is stopped tells how far it came
		}
	}
	assert.Equal(t, n, judged)
}

// TestOneCoreAnswersAsTwo: how many cores a study has changes no digit of its answer.
func TestOneCoreAnswersAsTwo(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	ask := func(cores int, args ...string) string {
		runtime.GOMAXPROCS(cores)
		code, stdout, stderr := quaybench(t, nil, append(args, "--json")...)
		require.NotEqual(t, exitInput, code, stderr)
		require.NotEqual(t, exitOther, code, stderr)
		return stdout
	}
	for _, name := range []string{"petrel", "bracken"} {
		for _, args := range [][]string{
			{"highest", name, "limits.motor_current", "--trial", "locked-shaft"},
			{"envelope", name, "--times", "10 s..30 s"},
			{"odds", name, "--runs", "40", "--trial", "crash-stop"},
			{"highest", name, "limits.motor_current", "--trial", "crash-stop", "--odds", "90 %", "--draws", "30"},
		}[:studies] {
			assert.Equal(t, ask(1, args...), ask(2, args...), "%v", args)
		}
	}
}
