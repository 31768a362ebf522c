package profiles

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The digest of "abc" is the example of FIPS 180-4 that NIST publishes with it (SHA256.pdf, one block
// message; checked with the sha256sum of GNU coreutils too).
func TestHashIsSHA256(t *testing.T) {
	assert.Equal(t, Hash("ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"), HashOf([]byte("abc")))
	assert.Equal(t, "ba7816bf", HashOf([]byte("abc")).Short())
}

func TestBoatNames(t *testing.T) {
	for _, good := range []string{"petrel", "bracken", "boat-7", "b_2", "7", strings.Repeat("a", 64), "con1", "lpt"} {
		assert.NoError(t, CheckBoatName(good), good)
	}
	for _, bad := range []string{
		"", ".", "..", "../petrel", "a/b", `a\b`, "/petrel", "Petrel", "petrel ", "-petrel", ".git", "a.b", "c:",
		// The device names are those of Microsoft's "Naming Files, Paths, and Namespaces".
		"con", "prn", "aux", "nul", "com1", "com9", "lpt1", "lpt9",
		strings.Repeat("a", 65), "pétrel", "petrel\n", "pet\x1b[31mrel",
	} {
		var input *InputError
		err := CheckBoatName(bad)
		require.ErrorAs(t, err, &input, "%q", bad)
		assert.Equal(t, Printable(err.Error()), err.Error(), "the message itself must be printable")
	}
}

func TestStampNames(t *testing.T) {
	at := time.Date(2026, 4, 1, 7, 0, 0, 5, time.FixedZone("two hours east", 7200))
	s := newStamp(at, HashOf([]byte("abc")))
	assert.Equal(t, "20260401T050000.000000005Z-ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad.toml", s.name)
	back, ok := parseStamp(s.name)
	assert.True(t, ok)
	assert.Equal(t, s, back)
	for _, bad := range []string{
		"", "x", strings.ToUpper(s.name), strings.TrimSuffix(s.name, ".toml"), "../" + s.name, s.name + ".toml",
		strings.Replace(s.name, "0401", "0431", 1), strings.Replace(s.name, "2026", "0026", 1), strings.Replace(s.name, "Z-", "-", 1),
		strings.Replace(s.name, "ba78", "ba7", 1), strings.Replace(s.name, ".toml", " (conflicted copy).toml", 1),
		strings.Replace(s.name, ".000000005", ",000000005", 1), strings.Replace(s.name, ".000000005", "", 1),
	} {
		_, ok := parseStamp(bad)
		assert.False(t, ok, "%q", bad)
	}
}

func TestStampNamesSortByTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seconds := rapid.Int64Range(0, time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC).Unix())
		nanos := rapid.Int64Range(0, 999_999_999)
		a := time.Unix(seconds.Draw(t, "a"), nanos.Draw(t, "a ns"))
		b := time.Unix(seconds.Draw(t, "b"), nanos.Draw(t, "b ns"))
		if a.Before(b) {
			assert.Less(t, newStamp(a, HashOf([]byte("a"))).name, newStamp(b, HashOf([]byte("b"))).name)
		}
	})
}

func TestLabels(t *testing.T) {
	for _, good := range []string{"summer", "sea-trial-2", "été", "v1.2", "2026-season", "cafe-1"} {
		assert.NoError(t, checkLabel(good), good)
	}
	for _, bad := range []string{"", "cafe", "CAFE", "1234", "v3", "V3", "head", "Working", "a b", "a/b", "-x", "x\x1b", strings.Repeat("x", 65)} {
		assert.Error(t, checkLabel(bad), "%q", bad)
	}
}

// The places are those of the XDG Base Directory Specification 0.8, chapter 3: XDG_DATA_HOME, or
// $HOME/.local/share where it is not set or (chapter 2) not absolute.
func TestPlaceOfTheBook(t *testing.T) {
	home := t.TempDir()
	data := filepath.Join(home, "data")
	for _, c := range []struct {
		name     string
		override string
		env      map[string]string
		goos     string
		want     string
	}{
		{"flag wins", "here", map[string]string{"QUAYBENCH_BOOK": "there", "HOME": home}, "linux", "here"},
		{"variable", "", map[string]string{"QUAYBENCH_BOOK": "there", "XDG_DATA_HOME": data}, "linux", "there"},
		{"data home", "", map[string]string{"XDG_DATA_HOME": data, "HOME": home}, "linux", filepath.Join(data, "quaybench", "book")},
		{"relative data home is ignored", "", map[string]string{"XDG_DATA_HOME": "data", "HOME": home}, "linux", filepath.Join(home, ".local", "share", "quaybench", "book")},
		{"home", "", map[string]string{"HOME": home}, "linux", filepath.Join(home, ".local", "share", "quaybench", "book")},
		{"macOS", "", map[string]string{"HOME": home}, "darwin", filepath.Join(home, "Library", "Application Support", "quaybench", "book")},
		{"Windows", "", map[string]string{"LOCALAPPDATA": home}, "windows", filepath.Join(home, "quaybench", "book")},
		{"nowhere", "", nil, "linux", ""},
		{"nowhere on macOS", "", nil, "darwin", ""},
		{"nowhere on Windows", "", nil, "windows", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := defaultDir(func(key string) string { return c.env[key] }, c.override, c.goos)
			assert.Equal(t, c.want, got)
			assert.Equal(t, c.want == "", err != nil)
		})
	}
}

func TestPrintable(t *testing.T) {
	assert.Equal(t, `petrel 220 A ± 10 % Ω °C 船`, Printable(`petrel 220 A ± 10 % Ω °C 船`))
	assert.Equal(t, `\u001b[2J\u000a\u0000\u202eevil\u2066\ufeff\x80`, Printable("\x1b[2J\n\x00\u202eevil\u2066\ufeff\x80"))
	rapid.Check(t, func(t *rapid.T) {
		s := Printable(string(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")))
		assert.False(t, strings.ContainsFunc(s, func(r rune) bool { return !plain(r) }))
	})
}
