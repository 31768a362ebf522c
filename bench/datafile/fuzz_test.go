package datafile

import (
	"errors"
	"os"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
)

// FuzzDecode: no file makes Decode panic; every problem lies in the file; what a
// TOML library accepts has no syntax problem here, and what it refuses has one.
func FuzzDecode(f *testing.F) {
	bad, err := os.ReadFile("testdata/bad.toml")
	require.NoError(f, err)
	for _, seed := range []string{good, string(bad), "", "a", "[a]\n[a]", "[[a]]\n[a]", "a.b=1\na.c=2\n[a]", "[a.b]\n[a]\nb.c=1", "a={b=1}\na.c=1", "x = [[1,2],\n# c\n[3]]", "a=\"\"\"\n\\u00e9\"\"\"", "\xEF\xBB\xBFa=1", "a=1\r\nb=2\r", "name=\"\\", "[x\n[[joint]]\nname='a'", "a = [{b={c=[1,{d=2}]}}]", "battery=[]\n[battery]", "joint=[]\n[[joint]]"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, data string) {
		src, err := Decode("f", []byte(data), &yard{})
		require.NotNil(t, src)
		lines := strings.Split(strings.TrimPrefix(data, "\xEF\xBB\xBF"), "\n")
		var list Problems
		structural := false
		if err != nil {
			require.True(t, errors.As(err, &list))
			require.NotEmpty(t, list)
		}
		for _, p := range list {
			require.True(t, p.Line >= 1 && p.Line <= len(lines), "line %d of %d: %s", p.Line, len(lines), p.Text)
			require.True(t, p.Column >= 1 && p.Column <= utf8.RuneCountInString(lines[p.Line-1])+1, "column %d: %s", p.Column, p.Text)
			require.True(t, utf8.ValidString(p.Error()+p.Excerpt))
			require.Less(t, strings.IndexFunc(p.Error()+strings.ReplaceAll(p.Excerpt, "\n", ""), func(r rune) bool { return !unicode.IsPrint(r) }), 0, p.Error())
			for _, word := range []string{"syntax:", "is there twice", "already used as", "UTF-8", "text file", "too deep"} {
				structural = structural || strings.Contains(p.Text, word)
			}
		}
		var any map[string]any
		tomlErr := toml.Unmarshal([]byte(strings.TrimPrefix(data, "\xEF\xBB\xBF")), &any)
		switch {
		case tomlErr == nil && structural && !strings.Contains(err.Error(), "too deep"):
			t.Fatalf("TOML accepts what is refused here: %v", err)
		case tomlErr != nil && !structural && !valueOnly(tomlErr):
			t.Fatalf("TOML refuses what is accepted here: %v", tomlErr)
		}
	})
}

// valueOnly reports whether TOML refuses a value that is well formed, such as a
// number beyond 64 bits or the 31st of February, which no field here takes.
func valueOnly(err error) bool {
	for _, word := range []string{"integer", "number", "float", "date", "time", "month", "day", "hour", "minute", "second", "offset", "range", "underscore", "digit", "leading zero", "hexadecimal", "octal", "binary"} {
		if strings.Contains(err.Error(), word) {
			return true
		}
	}
	return false
}
