package profiles

import (
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func number(v float64) *float64 { return &v }

func TestDiffTellsSettingsWithUnitsAndPerCent(t *testing.T) {
	b, _ := newYard(t)
	before := saveJudged(t, b, Clear)
	require.NoError(t, b.Edit(t.Context(), "petrel", SettingsFile, func(text []byte) ([]byte, error) {
		return []byte(strings.NewReplacer(
			`"220 A"   # astern too`, `"242 A"`,
			`battery_current = "150 A"`, `astern_current = "90 A"`,
			`"2.5 s"`, `"2.50 s"`,
			`"80 °C"`, `"88 °C"`,
		).Replace(string(text))), nil
	}))
	after := saveJudged(t, b, Over)

	d, err := b.Diff(t.Context(), "petrel", string(before.Hash), string(after.Hash))
	require.NoError(t, err)
	assert.Equal(t, []SettingChange{
		{Key: "limits.motor_current", Was: "220 A", Now: "242 A", Change: number(22), Unit: "A", Percent: number(10)},
		{Key: "limits.astern_current", Now: "90 A"},
		// A temperature's zero is a convention: no per cent.
		{Key: "derating.start", Was: "80 °C", Now: "88 °C", Change: number(8), Unit: "°C"},
		{Key: "limits.battery_current", Was: "150 A"},
	}, d.Settings)
	assert.Equal(t, Side{Hash: before.Hash, Number: 1, Result: Clear}, d.A)
	assert.Equal(t, Side{Hash: after.Hash, Number: 2, Result: Over}, d.B)
	require.Len(t, d.Verdicts, 1)
	assert.Equal(t, Clear, d.Verdicts[0].Was.Result)
	assert.Equal(t, Over, d.Verdicts[0].Now.Result)
	assert.Empty(t, d.Kept, "records differ always")

	same, err := b.Diff(t.Context(), "petrel", string(after.Hash), string(after.Hash))
	require.NoError(t, err)
	assert.Empty(t, same.Settings)
	assert.Empty(t, same.Verdicts)
}

func TestDiffWithTheWorkingFiles(t *testing.T) {
	b, _ := newYard(t)
	v := saveCurrent(t, b, 240)
	setCurrent(t, b, 300)
	require.NoError(t, b.Edit(t.Context(), "petrel", BoatFile, func(text []byte) ([]byte, error) { return append(text, '\n'), nil }))
	d, err := b.Diff(t.Context(), "petrel", string(v.Hash), RefWorking)
	require.NoError(t, err)
	assert.Equal(t, number(25), d.Settings[0].Percent)
	require.Len(t, d.Kept, 1)
	assert.Equal(t, RoleBoat, d.Kept[0].Role)
}

func TestDiffReadsOldSettingsPlainly(t *testing.T) {
	b, _ := newYard(t)
	before, after := saveCurrent(t, b, 240), saveCurrent(t, b, 300)
	strict, err := Open(b.Dir(), Options{Rows: func([]byte) ([]Row, error) { return nil, errors.New("limits.motor_current has another name now") }})
	require.NoError(t, err)
	d, err := strict.Diff(t.Context(), "petrel", string(before.Hash), string(after.Hash))
	require.NoError(t, err)
	assert.True(t, d.Plain)
	assert.Contains(t, d.Why, "another name")
	assert.Equal(t, number(25), d.Settings[0].Percent)
}

func TestPlainRows(t *testing.T) {
	rows, err := plainRows([]byte(`top = true
[limits]
motor_current = "1_200.5 A ± 2 %" # why
torque = "0.13 V·s/rad"
share = "95 %"
rate = "0.1 1/K"
date = "2026-04-01"
name = "no. 5"
"odd key" = "x\ty"
curve = [[1, "2 A"], { at = 3.5 }]
[[step]]
hold = "10 s"
[[step]]
hold = -3e2
`))
	require.NoError(t, err)
	assert.Equal(t, []Row{
		{Key: "top", Text: "true"},
		{Key: "limits.motor_current", Text: "1_200.5 A ± 2 %", Number: true, Value: 1200.5, Unit: "A"},
		{Key: "limits.torque", Text: "0.13 V·s/rad", Number: true, Value: 0.13, Unit: "V·s/rad"},
		{Key: "limits.share", Text: "95 %", Number: true, Value: 95, Unit: "%"},
		{Key: "limits.rate", Text: "0.1 1/K", Number: true, Value: 0.1, Unit: "1/K"},
		{Key: "limits.date", Text: "2026-04-01"},
		{Key: "limits.name", Text: "no. 5"},
		{Key: "limits.odd key", Text: `x\u0009y`},
		{Key: "limits.curve", Text: "[[1, 2 A], {at = 3.5}]"},
		{Key: "step[1].hold", Text: "10 s", Number: true, Value: 10, Unit: "s"},
		{Key: "step[2].hold", Text: "-3e2", Number: true, Value: -300},
	}, rows)
	for _, bad := range []string{"[a", "a = 1\na = 2", "a = " + strings.Repeat("[", 40) + strings.Repeat("]", 40), strings.Repeat("a.", 40) + "b = 1", string(make([]byte, maxBoatBytes+1))} {
		_, err := plainRows([]byte(bad))
		assert.Error(t, err, "%.40q", bad)
	}
}

func FuzzPlainRows(f *testing.F) {
	f.Add([]byte(petrelSettings))
	f.Add([]byte("a.b = [1, {c = \"2 A\"}]\n[[d]]\n"))
	f.Fuzz(func(t *testing.T, content []byte) {
		rows, err := plainRows(content)
		if err != nil {
			assert.Equal(t, Printable(err.Error()), err.Error())
			return
		}
		assert.Empty(t, settingChanges(rows, rows))
		for _, r := range rows {
			assert.Equal(t, r.Key+r.Text+r.Unit, Printable(r.Key+r.Text+r.Unit))
		}
	})
}

// What is added one way is removed the other, and a change up is a change down.
func TestDiffIsTheSameBothWays(t *testing.T) {
	rows := rapid.Custom(func(t *rapid.T) []Row {
		values := rapid.MapOf(rapid.SampledFrom([]string{"a", "b", "c", "d"}), rapid.SampledFrom([]string{"1 A", "2 A", "2 s", "0 A", "on"})).Draw(t, "settings")
		var rows []Row
		for _, key := range []string{"a", "b", "c", "d"} {
			if text, set := values[key]; set {
				rows = append(rows, newRow(key, text))
			}
		}
		return rows
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b := rows.Draw(t, "a"), rows.Draw(t, "b")
		back := map[string]SettingChange{}
		for _, c := range settingChanges(b, a) {
			back[c.Key] = c
		}
		there := settingChanges(a, b)
		require.Len(t, back, len(there))
		for _, c := range there {
			r := back[c.Key]
			assert.Equal(t, c.Was, r.Now)
			assert.Equal(t, c.Now, r.Was)
			require.Equal(t, c.Change == nil, r.Change == nil)
			if c.Change != nil {
				assert.Equal(t, *c.Change, -*r.Change)
			}
		}
	})
}

func TestHistoryTellsWhoSetAValue(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	require.NoError(t, b.Edit(t.Context(), "petrel", SettingsFile, func(text []byte) ([]byte, error) { return append(text, "[ramp]\nrise = \"2 s\"\n"...), nil }))
	_, err := b.Save(t.Context(), "petrel", because("a ramp"))
	require.NoError(t, err)
	left := saveCurrent(t, b, 250)
	right := saveCurrent(t, b, 260, string(first.Hash))
	joined := saveCurrent(t, b, 250, string(left.Hash), string(right.Hash))
	after := saveCurrent(t, b, 300)

	events, err := b.History(t.Context(), "petrel", "limits.motor_current")
	require.NoError(t, err)
	require.Len(t, events, 5)
	for i, want := range []struct {
		v        *Version
		was, now string
		joined   bool
	}{
		{first, "", "240 A", false}, {left, "240 A", "250 A", false}, {right, "240 A", "260 A", false},
		{joined, "260 A", "250 A", true}, {after, "250 A", "300 A", false},
	} {
		assert.Equal(t, want.v.Hash, events[i].Version)
		assert.Equal(t, want.v.Number, events[i].Number)
		assert.Equal(t, want.v.Reason, events[i].Reason)
		assert.Equal(t, "yard hand", events[i].Author)
		assert.Equal(t, want.was, events[i].Was)
		assert.Equal(t, want.now, events[i].Now)
		assert.Equal(t, want.joined, events[i].Joined)
	}

	events, err = b.History(t.Context(), "petrel", "ramp.rise")
	require.NoError(t, err)
	assert.Equal(t, "", events[1].Now, "it went away again")

	var missing *NotFoundError
	_, err = b.History(t.Context(), "petrel", "limits.motor_curent")
	require.ErrorAs(t, err, &missing)
	assert.Contains(t, missing.Have, "limits.motor_current")
}

// A value may be nested as deep as a key has parts, and no deeper.
func TestPlainRowsOfNestedValues(t *testing.T) {
	nested := func(depth int) error {
		_, err := plainRows([]byte("a = " + strings.Repeat("[", depth) + strings.Repeat("]", depth) + "\n"))
		return err
	}
	require.NoError(t, nested(maxKeyParts+1), "the outermost is at depth 0")
	assert.ErrorContains(t, nested(maxKeyParts+2), "is nested deeper than 16")
}
