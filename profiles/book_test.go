package profiles

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestOpenSaysWhatIsMissing(t *testing.T) {
	dir := t.TempDir()
	var missing *NotFoundError
	_, err := Open(filepath.Join(dir, "none"), Options{})
	require.ErrorAs(t, err, &missing)
	assert.Equal(t, "book", missing.What)

	require.NoError(t, os.WriteFile(filepath.Join(dir, "file"), nil, 0o644))
	var input *InputError
	_, err = Open(filepath.Join(dir, "file"), Options{})
	require.ErrorAs(t, err, &input)
}

func TestABoatIsAddedOnce(t *testing.T) {
	b, _ := newYard(t)
	require.NoError(t, b.AddBoat(t.Context(), "bracken", Texts{Boat: []byte("a"), Settings: []byte("b")}))
	boats, err := b.Boats(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{"bracken", "petrel"}, boats)

	var input *InputError
	require.ErrorAs(t, b.AddBoat(t.Context(), "petrel", Texts{}), &input)
	require.ErrorAs(t, b.AddBoat(t.Context(), "../petrel", Texts{}), &input)
	for _, word := range []string{"head", "working", "sim", "v1"} {
		require.ErrorContains(t, b.AddBoat(t.Context(), word, Texts{Boat: []byte("a"), Settings: []byte("b")}), "another meaning")
	}
	require.ErrorAs(t, b.AddBoat(t.Context(), "wren", Texts{Boat: []byte("\x1b[2J")}), &input)
	require.ErrorAs(t, b.AddBoat(t.Context(), "wren", Texts{Boat: []byte{0xff}}), &input)

	var missing *NotFoundError
	_, err = b.Texts(t.Context(), "wren")
	require.ErrorAs(t, err, &missing)
	assert.Equal(t, []string{"bracken", "petrel"}, missing.Have)
}

func TestABoatFilePutThereByHandIsNotOverwritten(t *testing.T) {
	b, _ := newYard(t)
	dir := filepath.Join(b.Dir(), "wren")
	require.NoError(t, os.Mkdir(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, BoatFile), []byte("by hand"), 0o644))
	var input *InputError
	require.ErrorAs(t, b.AddBoat(t.Context(), "wren", Texts{Boat: []byte("new")}), &input)
	// An adding that was killed half-way is done again, though.
	require.NoError(t, b.AddBoat(t.Context(), "wren", Texts{Boat: []byte("by hand"), Settings: []byte("x = 1")}))
}

func TestSaveKeepsEverything(t *testing.T) {
	b, _ := newYard(t)
	saved := saveJudged(t, b, Close)
	assert.Equal(t, 1, saved.Number)
	assert.Equal(t, yardOpens.Add(time.Second), saved.Time)
	assert.Empty(t, saved.Parents)

	e, err := b.Show(t.Context(), "petrel", string(saved.Hash))
	require.NoError(t, err)
	assert.Equal(t, *saved, e.Version)
	assert.Equal(t, petrelSettings, e.Settings)
	assert.Equal(t, Close, e.Result)
	assert.True(t, e.Head)
	assert.True(t, e.Continued)
	for _, k := range e.Kept {
		content, err := b.Kept(t.Context(), "petrel", k.Hash)
		require.NoError(t, err)
		assert.Len(t, content, int(k.Bytes))
		if k.Role == RoleBoat {
			assert.Equal(t, petrelBoat, string(content))
		}
	}
}

func TestSaveNamesTheFileByItsContent(t *testing.T) {
	b, _ := newYard(t)
	v := saveCurrent(t, b, 240)
	content, err := os.ReadFile(filepath.Join(b.Dir(), "petrel", versionsDir, newStamp(v.Time, v.Hash).name))
	require.NoError(t, err)
	assert.Equal(t, v.Hash, HashOf(content))
}

func TestSaveRefuses(t *testing.T) {
	b, _ := newYard(t)
	texts, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	other := Texts{Boat: texts.Boat, Settings: []byte("x = 1")}
	nan := 0.0
	nan /= nan
	long := strings.Repeat("x", maxProseBytes+1)
	for name, change := range map[string]func(*SaveOptions){
		"no author":                      func(o *SaveOptions) { o.Author = " " },
		"no reason":                      func(o *SaveOptions) { o.Reason = "" },
		"no tool":                        func(o *SaveOptions) { o.Tool = "" },
		"a reason of two lines":          func(o *SaveOptions) { o.Reason = "a\nb" },
		"a reason that drives a screen":  func(o *SaveOptions) { o.Reason = "a\x1b[2J" },
		"an endless reason":              func(o *SaveOptions) { o.Reason = long },
		"an unknown parent":              func(o *SaveOptions) { o.Parents = []string{"abcdef"} },
		"verdicts on unknown texts":      func(o *SaveOptions) { o.Verdicts = []Verdict{judged(Clear)} },
		"verdicts on other texts":        func(o *SaveOptions) { o.Verdicts, o.Tried = []Verdict{judged(Clear)}, &other },
		"a verdict with no such result":  func(o *SaveOptions) { o.Verdicts, o.Tried = []Verdict{judged("fine")}, &texts },
		"a verdict that is not a number": func(o *SaveOptions) { v := judged(Clear); v.Used = &nan; o.Verdicts, o.Tried = []Verdict{v}, &texts },
		"a verdict whose record is missing": func(o *SaveOptions) {
			v := judged(Clear)
			v.Record = HashOf([]byte("none"))
			o.Verdicts, o.Tried = []Verdict{v}, &texts
		},
		"evidence of an unknown role": func(o *SaveOptions) { o.Evidence = []File{{Role: "recipe", Name: "x"}} },
		"evidence without a name":     func(o *SaveOptions) { o.Evidence = []File{{Role: RoleRecord}} },
	} {
		t.Run(name, func(t *testing.T) {
			o := because("a reason")
			change(&o)
			_, err := b.Save(t.Context(), "petrel", o)
			require.Error(t, err)
			l, err := b.List(t.Context(), "petrel")
			require.NoError(t, err)
			assert.Empty(t, l.Versions)
		})
	}
}

func TestSaveRefusesSettingsThatCannotBeRead(t *testing.T) {
	b, _ := newYard(t)
	for _, bad := range []string{"[limits\n", "a = 1\na = 2\n", "a = \n"} {
		require.NoError(t, b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) { return []byte(bad), nil }))
		_, err := b.Save(t.Context(), "petrel", because("a reason"))
		require.ErrorContains(t, err, SettingsFile)
	}
	strict, err := Open(b.Dir(), Options{Rows: func([]byte) ([]Row, error) { return nil, errors.New("line 1: no such key") }})
	require.NoError(t, err)
	setCurrent(t, strict, 240)
	_, err = strict.Save(t.Context(), "petrel", because("a reason"))
	require.ErrorContains(t, err, "settings.toml: line 1: no such key")
}

func TestSaveOfTheSameSaysSo(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	_, err := b.Save(t.Context(), "petrel", because("again"))
	require.ErrorIs(t, err, ErrUnchanged)
	assert.ErrorContains(t, err, "v1 "+first.Hash.Short())

	judgedNow := saveJudged(t, b, Close)
	assert.Equal(t, []Hash{first.Hash}, judgedNow.Parents, "a verdict is something new")
	_, err = b.Save(t.Context(), "petrel", because("again, without a verdict"))
	require.ErrorIs(t, err, ErrUnchanged)

	require.NoError(t, b.Edit(t.Context(), "petrel", BoatFile, func(text []byte) ([]byte, error) { return append(text, "# measured\n"...), nil }))
	v, err := b.Save(t.Context(), "petrel", because("another boat file"))
	require.NoError(t, err)
	assert.Equal(t, []Hash{judgedNow.Hash}, v.Parents)
	assert.Empty(t, v.Result, "the verdict was on another boat")
}

func TestAClockThatGoesBackDoesNotChangeTheOrder(t *testing.T) {
	b, c := newYard(t)
	first := saveCurrent(t, b, 240)
	wrong := yardOpens.Add(-365 * 24 * time.Hour)
	c.set(wrong)
	second := saveCurrent(t, b, 250)
	assert.Equal(t, first.Time.Add(1), second.Time)
	assert.Equal(t, wrong.Add(time.Second), second.Clock, "what the clock said stays on record")
	assert.Equal(t, 2, second.Number)
	c.set(yardOpens.Add(time.Hour))
	third := saveCurrent(t, b, 260)
	assert.True(t, third.Clock.IsZero())

	c.set(time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC))
	setCurrent(t, b, 270)
	_, err := b.Save(t.Context(), "petrel", because("no battery in the clock"))
	require.ErrorContains(t, err, "set this machine's clock")
}

func TestTwoHeadsAreShownAndJoined(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	left := saveCurrent(t, b, 250)
	right := saveCurrent(t, b, 260, string(first.Hash))

	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, []Hash{left.Hash, right.Hash}, l.Working.Heads)
	assert.Equal(t, right.Hash, l.Working.Continues)
	var heads *HeadsError
	_, err = b.resolve(t.Context(), "petrel", RefHead)
	require.ErrorAs(t, err, &heads)

	// The working files continue the right one, so a plain save does too.
	next := saveCurrent(t, b, 261)
	assert.Equal(t, []Hash{right.Hash}, next.Parents)
	joined := saveCurrent(t, b, 255, left.Hash.Short(), next.Hash.Short())
	assert.Equal(t, []Hash{left.Hash, next.Hash}, joined.Parents)
	h, err := b.resolve(t.Context(), "petrel", "HEAD")
	require.NoError(t, err)
	assert.Equal(t, joined.Hash, h)
}

func TestSaveAsksWhichHeadWhereItCannotKnow(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	left := saveCurrent(t, b, 250)
	right := saveCurrent(t, b, 260, string(first.Hash))
	require.NoError(t, os.Remove(filepath.Join(b.Dir(), "petrel", continuesFile)))
	setCurrent(t, b, 270)
	var heads *HeadsError
	_, err := b.Save(t.Context(), "petrel", because("which?"))
	require.ErrorAs(t, err, &heads)
	assert.Equal(t, []Hash{left.Hash, right.Hash}, heads.Heads)
	assert.ErrorContains(t, err, left.Hash.Short())
}

// Others' versions come in by copying. What this machine then saves must not pass for a change of them.
func TestWorkingFilesContinueWhatTheyCameFrom(t *testing.T) {
	b, _ := newYard(t)
	first := saveCurrent(t, b, 240)
	theirs := openCopy(t, b)
	their := saveCurrent(t, theirs, 300)
	copyBook(t, theirs, b)

	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, []Hash{their.Hash}, l.Working.Heads)
	assert.Equal(t, first.Hash, l.Working.Continues)
	ours := saveCurrent(t, b, 241)
	assert.Equal(t, []Hash{first.Hash}, ours.Parents)
	heads, err := b.heads(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, heads, 2)
}

func TestAFreshCloneWorksFromItsOnlyHead(t *testing.T) {
	b, _ := newYard(t)
	saveCurrent(t, b, 240)
	head := saveCurrent(t, b, 250)
	clone := openCopy(t, b)
	dir := filepath.Join(clone.Dir(), "petrel")
	for _, name := range []string{BoatFile, SettingsFile, continuesFile} {
		require.NoError(t, os.Remove(filepath.Join(dir, name)))
	}
	texts, err := clone.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, petrelBoat, string(texts.Boat))
	assert.Equal(t, "[limits]\nmotor_current = \"250 A\"\n", string(texts.Settings))
	_, err = clone.Save(t.Context(), "petrel", because("nothing done"))
	require.ErrorIs(t, err, ErrUnchanged)

	// An edit there continues that head, whatever is copied in afterwards.
	setCurrent(t, clone, 251)
	saveCurrent(t, b, 260)
	copyBook(t, b, clone)
	v, err := clone.Save(t.Context(), "petrel", because("edited in the clone"))
	require.NoError(t, err)
	assert.Equal(t, []Hash{head.Hash}, v.Parents)
}

func TestEdit(t *testing.T) {
	b, _ := newYard(t)
	v := saveCurrent(t, b, 240)
	setCurrent(t, b, 250)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, Status{Continues: v.Hash, Heads: []Hash{v.Hash}, SettingsChanged: true}, l.Working)

	boom := errors.New("no such key")
	require.ErrorIs(t, b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) { return nil, boom }), boom)
	var input *InputError
	for _, bad := range [][]byte{{0xff}, []byte("\x00"), []byte("a\rb"), []byte("\x1b"), make([]byte, maxSettingsBytes+1)} {
		require.ErrorAs(t, b.Edit(t.Context(), "petrel", SettingsFile, func([]byte) ([]byte, error) { return bad, nil }), &input)
	}
	require.ErrorAs(t, b.Edit(t.Context(), "petrel", "versions/x", func([]byte) ([]byte, error) { return nil, nil }), &input)
	texts, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Contains(t, string(texts.Settings), "250 A", "what was refused changed nothing")
}

func TestResolve(t *testing.T) {
	b, _ := newYard(t)
	for i := range 40 {
		saveCurrent(t, b, 200+i)
	}
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	v := l.Versions[7]
	for _, ref := range []string{string(v.Hash), string(v.Hash[:12]), strings.ToUpper(string(v.Hash[:12]))} {
		h, err := b.resolve(t.Context(), "petrel", ref)
		require.NoError(t, err)
		assert.Equal(t, v.Hash, h)
	}
	var input *InputError
	_, err = b.resolve(t.Context(), "petrel", string(v.Hash[:3]))
	require.ErrorAs(t, err, &input)
	assert.ErrorContains(t, err, "four digits")
	_, err = b.resolve(t.Context(), "petrel", "v8")
	require.ErrorAs(t, err, &input)
	assert.ErrorContains(t, err, "now "+v.Hash.Short(), "the number is refused, with the hash that it means today")
	var missing *NotFoundError
	for _, ref := range []string{"0123456789abcdef0123", "summer", "../x", "\x1b[2J"} {
		_, err = b.resolve(t.Context(), "petrel", ref)
		require.ErrorAs(t, err, &missing, "%q", ref)
		assert.Equal(t, Printable(err.Error()), err.Error())
	}
}

func TestAnAmbiguousHashListsItsCandidates(t *testing.T) {
	s := shelf{stamps: []stamp{{hash: "abcd01"}, {hash: "abcd02"}, {hash: "abce"}, {hash: "abcd02"}}}
	var ambiguous *AmbiguousError
	_, err := s.byPrefix("abcd")
	require.ErrorAs(t, err, &ambiguous)
	assert.Equal(t, []Hash{"abcd01", "abcd02"}, ambiguous.Candidates)
	assert.ErrorContains(t, err, "abcd01, abcd02")
	h, err := s.byPrefix("abcd02")
	require.NoError(t, err)
	assert.Equal(t, Hash("abcd02"), h)
}

func TestALabelIsWhereItWasPutLast(t *testing.T) {
	b, c := newYard(t)
	first, second := saveCurrent(t, b, 240), saveCurrent(t, b, 250)
	by := LabelOptions{Author: "yard hand", Tool: "quaybench test"}
	_, err := b.Label(t.Context(), "petrel", first.Hash.Short(), "summer", by)
	require.NoError(t, err)
	c.set(yardOpens.Add(-time.Hour)) // a clock that goes back must not make the older one win
	_, err = b.Label(t.Context(), "petrel", second.Hash.Short(), "summer", by)
	require.NoError(t, err)

	h, err := b.resolve(t.Context(), "petrel", "summer")
	require.NoError(t, err)
	assert.Equal(t, second.Hash, h)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Empty(t, l.Versions[0].Labels)
	assert.Len(t, l.Versions[0].Marks, 1, "that it once was there stays on record")
	assert.Equal(t, []string{"summer"}, l.Versions[1].Labels)

	_, err = b.Label(t.Context(), "petrel", "summer", "cafe", by)
	require.Error(t, err)
	_, err = b.Label(t.Context(), "petrel", "summer", "season", LabelOptions{})
	require.Error(t, err, "no author")
}

func TestApproval(t *testing.T) {
	by := ApproveOptions{Author: "yard master", Tool: "quaybench test"}
	t.Run("of a clear or close version", func(t *testing.T) {
		b, c := newYard(t)
		v := saveJudged(t, b, Close)
		m, err := b.Approve(t.Context(), "petrel", string(v.Hash), by)
		require.NoError(t, err)
		assert.Equal(t, Close, m.Result)
		assert.Equal(t, c.at, m.Time)
		e, err := b.Show(t.Context(), "petrel", string(v.Hash))
		require.NoError(t, err)
		assert.Equal(t, []Mark{*m}, e.Approvals())
	})
	t.Run("is refused while over, unless despite a reason that stays", func(t *testing.T) {
		b, _ := newYard(t)
		v := saveJudged(t, b, Over)
		var refused *RefusedError
		_, err := b.Approve(t.Context(), "petrel", string(v.Hash), by)
		require.ErrorAs(t, err, &refused)
		assert.Equal(t, Over, refused.Result)
		e, err := b.Show(t.Context(), "petrel", string(v.Hash))
		require.NoError(t, err)
		assert.Empty(t, e.Marks)

		despite := by
		despite.Despite = "one tow, watched"
		_, err = b.Approve(t.Context(), "petrel", string(v.Hash), despite)
		require.NoError(t, err)
		e, err = b.Show(t.Context(), "petrel", string(v.Hash))
		require.NoError(t, err)
		assert.Equal(t, "one tow, watched", e.Approvals()[0].Despite)
		assert.Equal(t, Over, e.Approvals()[0].Result)
	})
	t.Run("is refused where it could not be judged, unless despite a reason", func(t *testing.T) {
		b, _ := newYard(t)
		v := saveJudged(t, b, NotJudged)
		var refused *RefusedError
		_, err := b.Approve(t.Context(), "petrel", string(v.Hash), by)
		require.ErrorAs(t, err, &refused)
		assert.Equal(t, NotJudged, refused.Result)
		despite := by
		despite.Despite = "the thermometer broke"
		_, err = b.Approve(t.Context(), "petrel", string(v.Hash), despite)
		require.NoError(t, err)
	})
	t.Run("is refused where nothing was tried", func(t *testing.T) {
		b, _ := newYard(t)
		v := saveCurrent(t, b, 240)
		var refused *RefusedError
		_, err := b.Approve(t.Context(), "petrel", string(v.Hash), by)
		require.ErrorAs(t, err, &refused)
		assert.Empty(t, refused.Result)
	})
	t.Run("never rests on a record alone: one of a second at 1 % throttle is clear too", func(t *testing.T) {
		b, _ := newYard(t)
		v := saveCurrent(t, b, 240)
		alone := by
		alone.Verdicts = []Verdict{judged(Clear)}
		var refused *RefusedError
		_, err := b.Approve(t.Context(), "petrel", string(v.Hash), alone)
		require.ErrorAs(t, err, &refused)
		assert.Empty(t, refused.Result)
		alone.Verdicts = []Verdict{judged(Over)}
		_, err = b.Approve(t.Context(), "petrel", string(v.Hash), alone)
		require.ErrorAs(t, err, &refused)
		assert.Equal(t, Over, refused.Result)
	})
	t.Run("keeps a later record, and a bad one is not forgotten", func(t *testing.T) {
		b, _ := newYard(t)
		v := saveJudged(t, b, Clear)
		measured := by
		measured.Evidence = []File{{Role: RoleRecord, Name: "bench.csv", Content: []byte("t_s\n0\n")}}
		good := judged(Clear)
		good.Record = HashOf(measured.Evidence[0].Content)
		measured.Verdicts = []Verdict{good}
		m, err := b.Approve(t.Context(), "petrel", string(v.Hash), measured)
		require.NoError(t, err)
		assert.Equal(t, Clear, m.Result)
		content, err := b.Kept(t.Context(), "petrel", m.Kept[0].Hash)
		require.NoError(t, err)
		assert.Equal(t, "t_s\n0\n", string(content))

		measured.Verdicts = []Verdict{judged(Over)}
		measured.Despite = "to have it on record"
		_, err = b.Approve(t.Context(), "petrel", string(v.Hash), measured)
		require.NoError(t, err)
		var refused *RefusedError
		measured.Verdicts, measured.Despite = []Verdict{good}, ""
		_, err = b.Approve(t.Context(), "petrel", string(v.Hash), measured)
		require.ErrorAs(t, err, &refused)
	})
	t.Run("is refused while a mark cannot be read", func(t *testing.T) {
		b, _ := newYard(t)
		v := saveJudged(t, b, Clear)
		m, err := b.Approve(t.Context(), "petrel", string(v.Hash), by)
		require.NoError(t, err)
		damage(t, filepath.Join(b.Dir(), "petrel", marksDir, newStamp(m.Time, m.Hash).name), "")
		var hurt *DamageError
		_, err = b.Approve(t.Context(), "petrel", string(v.Hash), by)
		require.ErrorAs(t, err, &hurt)
	})
}

func TestWrittenToAController(t *testing.T) {
	b, _ := newYard(t)
	v := saveJudged(t, b, Clear)
	m, err := b.MarkWritten(t.Context(), "petrel", v.Hash.Short(), WrittenOptions{
		Author: "yard hand", Tool: "quaybench test", Controller: "bench controller no. 2", ReadBack: true,
		Evidence: []File{{Role: RoleMap, Name: "map.toml", Content: []byte("x = 1\n")}},
	})
	require.NoError(t, err)
	e, err := b.Show(t.Context(), "petrel", v.Hash.Short())
	require.NoError(t, err)
	assert.Equal(t, []Mark{*m}, e.Written())
	assert.True(t, e.Written()[0].ReadBack)
	_, err = b.MarkWritten(t.Context(), "petrel", v.Hash.Short(), WrittenOptions{Author: "yard hand", Tool: "quaybench test"})
	require.Error(t, err, "which controller?")

	// Which settings are in the controller is told by the last time they were written.
	next := saveCurrent(t, b, 240)
	for _, h := range []Hash{next.Hash, v.Hash} {
		_, err = b.MarkWritten(t.Context(), "petrel", string(h), WrittenOptions{Author: "yard hand", Tool: "quaybench test", Controller: "bench controller no. 2"})
		require.NoError(t, err)
	}
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	entry, last := l.Last(MarkWritten)
	assert.Equal(t, v.Hash, entry.Hash)
	assert.Equal(t, v.Hash, last.Version)
	assert.False(t, last.ReadBack)
	entry, last = l.Last(MarkApproval)
	assert.Nil(t, entry)
	assert.Nil(t, last)
}

func TestACancelledContextEndsTheWork(t *testing.T) {
	b, _ := newYard(t)
	saveCurrent(t, b, 240)
	setCurrent(t, b, 250)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := b.List(ctx, "petrel")
	require.ErrorIs(t, err, context.Canceled)
	_, err = b.Save(ctx, "petrel", because("too late"))
	require.ErrorIs(t, err, context.Canceled)
	_, err = b.Verify(ctx, "")
	require.ErrorIs(t, err, context.Canceled)
	l, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, l.Versions, 1)
}
