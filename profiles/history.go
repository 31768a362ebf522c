package profiles

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"
	"github.com/pelletier/go-toml/v2/unstable"
)

// SettingEvent is a version that gave a setting another value.
type SettingEvent struct {
	Version  Hash      `json:"version"`
	Number   int       `json:"number"`
	Time     time.Time `json:"time"`
	Author   string    `json:"author"`
	Reason   string    `json:"reason"`
	Restores Hash      `json:"restores,omitempty"`
	Result   Result    `json:"result"`
	// Joined tells that two heads with different values were joined, and this one was taken.
	Joined bool `json:"joined"`
	SettingChange
}

// History returns who set a key, when and why, from the oldest version on. Versions that cannot be read
// are passed over; what they changed appears with the next one.
func (b *Book) History(ctx context.Context, boat, key string) ([]SettingEvent, error) {
	h := history{value: map[Hash]Row{}}
	var events []SettingEvent
	err := b.read(ctx, boat, func(v *Version) {
		rows, _, _ := b.rowsOf(v.Settings, v.Settings)
		h.add(v, rows, key)
		if change, joined, happened := h.event(v); happened {
			events = append(events, SettingEvent{
				Version: v.Hash, Number: v.Number, Time: v.Time, Author: v.Author, Reason: v.Reason,
				Restores: v.Restores, Result: v.Result, Joined: joined, SettingChange: change,
			})
		}
	}, func(*view) error { return nil })
	if err != nil {
		return nil, err
	}
	if len(events) == 0 {
		return nil, &NotFoundError{What: "setting", Name: key, Have: h.keys}
	}
	return events, nil
}

// history is what one key was in the versions read so far.
type history struct {
	value map[Hash]Row // zero where the key is not set
	keys  []string     // all keys ever seen, for the error
}

func (h *history) add(v *Version, rows []Row, key string) {
	row := Row{Key: key}
	for _, r := range rows {
		if r.Key == key {
			row = r
		}
		if !slices.Contains(h.keys, r.Key) {
			h.keys = append(h.keys, r.Key)
		}
	}
	h.value[v.Hash] = row
}

// event compares a version with its parents. A value that differs from all of them was set by it; one
// that differs from some was chosen where they were joined.
func (h *history) event(v *Version) (c SettingChange, joined, happened bool) {
	now := h.value[v.Hash]
	was := []Row{}
	for _, p := range v.Parents {
		if r, known := h.value[p]; known {
			was = append(was, r)
		}
	}
	if len(was) == 0 {
		was = []Row{{Key: now.Key}}
	}
	differing := slices.DeleteFunc(slices.Clone(was), func(r Row) bool { return sameValue(r, now) })
	if len(differing) == 0 {
		return SettingChange{}, false, false
	}
	return numberChange(differing[0], now), len(was) > 1, true
}

// Difference is what changed from one version to another.
type Difference struct {
	A        Side            `json:"a"`
	B        Side            `json:"b"`
	Settings []SettingChange `json:"settings"`
	Kept     []KeptChange    `json:"kept"` // boat file, register maps, trials; records are not compared
	Verdicts []VerdictChange `json:"verdicts"`
	// Plain tells that a settings text could not be read by today's rules, so that both were read as plain
	// TOML; Why says what those rules object to.
	Plain bool   `json:"plain,omitempty"`
	Why   string `json:"why,omitempty"`
	// Problems are what could not be read in the boat's book, the newest version perhaps.
	Problems []Problem `json:"problems"`
}

// Side names one side of a difference.
type Side struct {
	Hash   Hash   `json:"hash"` // empty for the working files
	Number int    `json:"number"`
	Result Result `json:"result"`
}

// SettingChange is a setting that differs.
type SettingChange struct {
	Key string `json:"key"`
	Was string `json:"was"` // empty where it was not set
	Now string `json:"now"` // empty where it is not set any more
	// Change is now less was, in Unit; nil where they are not numbers of one unit.
	Change *float64 `json:"change"`
	Unit   string   `json:"unit,omitempty"`
	// Percent is Change in per cent of what it was; nil where that was zero, or a temperature, whose zero
	// is a convention.
	Percent *float64 `json:"percent"`
}

// KeptChange is a kept file that differs.
type KeptChange struct {
	Role Role   `json:"role"`
	Name string `json:"name"`
	Was  Hash   `json:"was,omitempty"`
	Now  Hash   `json:"now,omitempty"`
}

// VerdictChange is a trial whose verdict differs.
type VerdictChange struct {
	Trial string   `json:"trial"`
	Was   *Verdict `json:"was"` // nil where it was not tried
	Now   *Verdict `json:"now"`
}

// Diff compares two versions, or a version with the working files, "working".
func (b *Book) Diff(ctx context.Context, boat, refA, refB string) (d *Difference, err error) {
	err = b.read(ctx, boat, nil, func(s *view) error {
		va, err := s.side(ctx, refA)
		if err != nil {
			return err
		}
		vb, err := s.side(ctx, refB)
		if err != nil {
			return err
		}
		d = &Difference{
			A:        Side{Hash: va.Hash, Number: va.Number, Result: va.Result},
			B:        Side{Hash: vb.Hash, Number: vb.Number, Result: vb.Result},
			Kept:     keptChanges(va.Kept, vb.Kept),
			Verdicts: verdictChanges(va.Verdicts, vb.Verdicts),
			Problems: listed(s.problems),
		}
		rowsA, rowsB, why := b.rowsOf(va.Settings, vb.Settings)
		d.Plain, d.Why = why != "", why
		d.Settings = settingChanges(rowsA, rowsB)
		return nil
	})
	return d, err
}

// side reads what a reference in Diff stands for.
func (s *view) side(ctx context.Context, ref string) (*Version, error) {
	if ref == RefWorking {
		t, _, err := s.texts(ctx)
		boat := File{Role: RoleBoat, Name: BoatFile, Content: t.Boat}
		return &Version{Settings: string(t.Settings), Kept: []Kept{boat.kept()}}, err
	}
	h, err := s.resolve(ref)
	if err != nil {
		return nil, err
	}
	return s.versions.byHash(h)
}

// rowsOf reads two texts the same way: by the book's rules, or both as plain TOML where one of them
// was written by other rules; why then says what was wrong. A text that is no TOML has no rows.
func (b *Book) rowsOf(textA, textB string) (rowsA, rowsB []Row, why string) {
	rowsA, errA := b.rows([]byte(textA))
	rowsB, errB := b.rows([]byte(textB))
	for _, err := range []error{errA, errB} {
		if err != nil {
			why = Printable(err.Error())
		}
	}
	if why != "" {
		rowsA, _ = plainRows([]byte(textA))
		rowsB, _ = plainRows([]byte(textB))
	}
	return rowsA, rowsB, why
}

// settingChanges lists the changed settings in the order of the newer text, removed ones last.
func settingChanges(a, b []Row) []SettingChange {
	was := map[string]Row{}
	for _, r := range a {
		was[r.Key] = r
	}
	changes := []SettingChange{}
	for _, now := range b {
		before, set := was[now.Key]
		delete(was, now.Key)
		switch {
		case !set:
			changes = append(changes, SettingChange{Key: now.Key, Now: now.Text})
		case !sameValue(before, now):
			changes = append(changes, numberChange(before, now))
		}
	}
	for _, r := range a {
		if _, left := was[r.Key]; left {
			changes = append(changes, SettingChange{Key: r.Key, Was: r.Text})
		}
	}
	return changes
}

// sameValue compares what is set, not how it is written: 220.0 equals 220.
func sameValue(a, b Row) bool {
	if !a.Number || !b.Number {
		return a.Text == b.Text
	}
	_, toleranceA := cutTolerance(a.Text)
	_, toleranceB := cutTolerance(b.Text)
	return a.Value == b.Value && a.Unit == b.Unit && toleranceA == toleranceB
}

func numberChange(was, now Row) SettingChange {
	c := SettingChange{Key: now.Key, Was: was.Text, Now: now.Text}
	if !was.Number || !now.Number || was.Unit != now.Unit {
		return c
	}
	change := now.Value - was.Value
	if math.IsInf(change, 0) || math.IsNaN(change) {
		return c
	}
	c.Change, c.Unit = &change, now.Unit
	if percent := 100 * change / math.Abs(was.Value); !isTemperature(now.Unit) && !math.IsInf(percent, 0) && !math.IsNaN(percent) {
		c.Percent = &percent
	}
	return c
}

// isTemperature reports whether a unit is one of temperature, whose ratios mean nothing to a person.
func isTemperature(unit string) bool {
	return slices.Contains([]string{"°C", "degC", "℃", "K", "°F", "degF"}, unit)
}

func keptChanges(a, b []Kept) []KeptChange {
	changes := []KeptChange{}
	type file struct {
		role Role
		name string
	}
	index := func(kept []Kept) (map[file]Hash, []file) {
		byName := map[file]Hash{}
		var order []file
		for _, k := range kept {
			if k.Role == RoleRecord {
				continue
			}
			at := file{k.Role, k.Name}
			if _, twice := byName[at]; !twice {
				order = append(order, at)
			}
			byName[at] = k.Hash
		}
		return byName, order
	}
	was, before := index(a)
	now, after := index(b)
	for _, at := range append(after, before...) {
		if was[at] != now[at] && !slices.ContainsFunc(changes, func(c KeptChange) bool { return c.Role == at.role && c.Name == at.name }) {
			changes = append(changes, KeptChange{Role: at.role, Name: at.name, Was: was[at], Now: now[at]})
		}
	}
	return changes
}

func verdictChanges(a, b []Verdict) []VerdictChange {
	find := func(verdicts []Verdict, trial string) *Verdict {
		if i := slices.IndexFunc(verdicts, func(v Verdict) bool { return v.Trial == trial }); i >= 0 {
			return &verdicts[i]
		}
		return nil
	}
	changes := []VerdictChange{}
	for _, v := range append(slices.Clone(b), a...) {
		if slices.ContainsFunc(changes, func(c VerdictChange) bool { return c.Trial == v.Trial }) {
			continue
		}
		was, now := find(a, v.Trial), find(b, v.Trial)
		if was == nil || now == nil || !was.says(*now) {
			changes = append(changes, VerdictChange{Trial: v.Trial, Was: was, Now: now})
		}
	}
	return changes
}

// says reports whether two verdicts say the same, whoever reached them.
func (v Verdict) says(w Verdict) bool {
	v.Tool, v.Record, w.Tool, w.Record = "", "", "", ""
	return v.equal(w)
}

// Row is one setting as Diff and History see it.
type Row struct {
	Key  string // "limits.motor_current"
	Text string // the value as it is to be shown: "220 A"
	// Number tells that Value holds the value, in Unit, for the change to be computed. Values of a key are
	// compared as numbers only where their units are the same.
	Number bool
	Value  float64
	Unit   string
}

// maxKeyParts is far more than a settings file has tables in tables.
const maxKeyParts = 16

var numberWithUnit = regexp.MustCompile(`^([+-]?[0-9][0-9_]*(?:\.[0-9]+)?(?:[eE][+-]?[0-9]+)?)[ \x{a0}]*(|%|°.*|1/.*|\pL.*)$`)

// plainRows reads any TOML text into rows in the order of the file, without knowing its keys. A number
// with a unit, "220 A", is a text in the file and a number in its row.
func plainRows(settings []byte) ([]Row, error) {
	if len(settings) > maxBoatBytes {
		return nil, fmt.Errorf("the text is longer than %d bytes", maxBoatBytes)
	}
	var rows []Row
	var table []string
	arrays := map[string]int{}
	var p unstable.Parser
	p.Reset(settings)
	for p.NextExpression() {
		node := p.Expression()
		key, err := keyParts(node)
		if err != nil {
			return nil, err
		}
		switch node.Kind {
		case unstable.Table:
			table = key
		case unstable.ArrayTable:
			name := strings.Join(key, ".")
			arrays[name]++
			table = append(key[:len(key)-1:len(key)-1], fmt.Sprintf("%s[%d]", key[len(key)-1], arrays[name]))
		case unstable.KeyValue:
			text, err := valueText(node.Value(), 0)
			if err != nil {
				return nil, err
			}
			rows = append(rows, newRow(strings.Join(append(table[:len(table):len(table)], key...), "."), text))
		}
	}
	if err := p.Error(); err != nil {
		return nil, errors.New(Printable(err.Error()))
	}
	// The parser alone lets doubled keys and tables pass.
	var whole map[string]any
	if err := toml.Unmarshal(settings, &whole); err != nil {
		var at *toml.DecodeError
		if errors.As(err, &at) {
			line, column := at.Position()
			return nil, fmt.Errorf("line %d, column %d: %s", line, column, Printable(err.Error()))
		}
		return nil, errors.New(Printable(err.Error()))
	}
	return rows, nil
}

func newRow(key, text string) Row {
	row := Row{Key: Printable(key), Text: Printable(text)}
	value, _ := cutTolerance(text)
	if m := numberWithUnit.FindStringSubmatch(strings.TrimSpace(value)); m != nil {
		value, err := strconv.ParseFloat(strings.ReplaceAll(m[1], "_", ""), 64)
		row.Number, row.Value, row.Unit = err == nil, value, Printable(m[2])
	}
	return row
}

// cutTolerance splits "14 mΩ ± 10 %" into value and tolerance.
func cutTolerance(text string) (value, tolerance string) {
	text = strings.ReplaceAll(text, "+/-", "±")
	value, tolerance, _ = strings.Cut(text, "±")
	return value, tolerance
}

func keyParts(node *unstable.Node) ([]string, error) {
	var parts []string
	for it := node.Key(); it.Next(); {
		parts = append(parts, string(it.Node().Data))
		if len(parts) > maxKeyParts {
			return nil, fmt.Errorf("a key has more than %d parts", maxKeyParts)
		}
	}
	return parts, nil
}

// valueText writes a value in one line.
func valueText(node *unstable.Node, depth int) (string, error) {
	if depth > maxKeyParts {
		return "", fmt.Errorf("a value is nested deeper than %d", maxKeyParts)
	}
	var items []string
	switch node.Kind {
	case unstable.Array:
		for it := node.Children(); it.Next(); {
			text, err := valueText(it.Node(), depth+1)
			if err != nil {
				return "", err
			}
			items = append(items, text)
		}
		return "[" + strings.Join(items, ", ") + "]", nil
	case unstable.InlineTable:
		for it := node.Children(); it.Next(); {
			key, err := keyParts(it.Node())
			if err != nil {
				return "", err
			}
			text, err := valueText(it.Node().Value(), depth+1)
			if err != nil {
				return "", err
			}
			items = append(items, strings.Join(key, ".")+" = "+text)
		}
		return "{" + strings.Join(items, ", ") + "}", nil
	}
	return string(node.Data), nil
}
