package profiles

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// encoder writes the TOML of files that are written once. The same value always gives the same bytes,
// and a file is accepted only if encoding what was read from it gives these bytes again: so a missing
// key, an unknown or doubled one, one in another case or an infinite number cannot slip through.
type encoder struct{ out []byte }

func (e *encoder) comment(text string) { e.out = append(e.out, "# "+text+"\n"...) }

func (e *encoder) key(key, value string) {
	e.out = append(append(append(append(e.out, key...), " = "...), value...), '\n')
}

func (e *encoder) table(header string) { e.out = append(e.out, "\n"+header+"\n"...) }

func (e *encoder) line(key, value string) { e.key(key, quote(value)) }

func (e *encoder) optional(key, value string) {
	if value != "" {
		e.line(key, value)
	}
}

func (e *encoder) integer(key string, value int64) { e.key(key, strconv.FormatInt(value, 10)) }

func (e *encoder) flag(key string, value bool) {
	if value {
		e.key(key, "true")
	}
}

// float writes a finite number; TOML wants digits on both sides of the point.
func (e *encoder) float(key string, value float64) {
	text := strconv.FormatFloat(value, 'f', -1, 64)
	if !strings.Contains(text, ".") {
		text += ".0"
	}
	e.key(key, text)
}

// timeLayout is TOML's date and time, always in UTC and to the nanosecond.
const timeLayout = "2006-01-02T15:04:05.000000000Z"

func (e *encoder) time(key string, value time.Time) { e.key(key, value.UTC().Format(timeLayout)) }

func (e *encoder) hashes(key string, values []Hash) {
	if len(values) == 0 {
		return
	}
	quoted := make([]string, len(values))
	for i, h := range values {
		quoted[i] = quote(string(h))
	}
	e.key(key, "["+strings.Join(quoted, ", ")+"]")
}

// seen writes the tips an entry has seen; nil is an entry from before the chain.
func (e *encoder) seen(tips []Hash) {
	if tips != nil && len(tips) == 0 {
		e.key("seen", "[]")
		return
	}
	e.hashes("seen", tips)
}

// text writes many lines as they are, so that a person can read them; escaped only where they must be.
func (e *encoder) text(key, value string) {
	if !strings.ContainsAny(value, "\r") && !strings.Contains(value, "'''") && !strings.HasSuffix(value, "'") {
		e.key(key, "'''\n"+value+"'''")
		return
	}
	value = textEscapes.Replace(value)
	e.key(key, "\"\"\"\n"+value+`"""`)
}

// quote writes one line of plain text as a basic string; checkLine has refused what needs more.
func quote(s string) string { return `"` + lineEscapes.Replace(s) + `"` }

var (
	lineEscapes = strings.NewReplacer(`\`, `\\`, `"`, `\"`)
	textEscapes = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\r", `\r`)
)

func (e *encoder) kept(kept []Kept) {
	for _, k := range kept {
		e.table("[[kept]]")
		e.line("role", string(k.Role))
		e.line("name", k.Name)
		e.integer("bytes", k.Bytes)
		e.line("hash", string(k.Hash))
	}
}

func (e *encoder) verdicts(verdicts []Verdict) {
	for _, v := range verdicts {
		e.table("[[verdict]]")
		e.line("trial", v.Trial)
		e.line("result", string(v.Result))
		e.optional("part", v.Part)
		if v.Used != nil {
			e.float("used", *v.Used)
		}
		e.optional("first", v.First)
		e.line("tool", v.Tool)
		e.optional("record", string(v.Record))
	}
}

// formatError reports that a file was written by a newer or another tool.
func formatError(format int) error {
	return fmt.Errorf("format %d is not known here: read it with a newer quaybench", format)
}

// Hash is the SHA-256 of a file's bytes, as 64 lower-case hexadecimal digits.
type Hash string

// shownDigits is how much of a hash is shown to a person: 32 bits tell the versions of a boat apart.
const shownDigits = 8

// Short returns the start of the hash, as shown beside a version's number.
func (h Hash) Short() string { return string(h[:min(len(h), shownDigits)]) }

// HashOf returns the hash under which the book keeps content.
func HashOf(content []byte) Hash {
	sum := sha256.Sum256(content)
	return Hash(hex.EncodeToString(sum[:]))
}

// valid reports whether h is a whole hash as this package writes it.
func (h Hash) valid() bool { return len(h) == 2*sha256.Size && isLowerHex(string(h)) }

func isLowerHex(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

var boatName = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,63}$`)

// deviceName matches the names Windows gives to devices in every folder.
var deviceName = regexp.MustCompile(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)

// CheckBoatName reports whether name may name a boat's folder on every system a book may be copied to:
// lower-case letters, digits, "-" and "_", 64 at most, and no device name of Windows.
func CheckBoatName(name string) error {
	switch {
	case deviceName.MatchString(name):
		return &InputError{Field: "boat name", Value: name, Why: "is the name of a device on Windows; choose another"}
	case !boatName.MatchString(name):
		return &InputError{Field: "boat name", Value: name, Why: `takes 1 to 64 lower-case letters, digits, "-" and "_", and starts with a letter or digit`}
	}
	return nil
}

// stampLayout writes a time so that names sort by it; no character in it troubles any file system.
const stampLayout = "20060102T150405.000000000Z"

const stampSuffix = ".toml"

// stamp is the name of a file written once: when, and the hash of what it holds.
type stamp struct {
	name string
	time string // in stampLayout
	hash Hash
}

func newStamp(t time.Time, h Hash) stamp {
	at := t.UTC().Format(stampLayout)
	return stamp{name: at + "-" + string(h) + stampSuffix, time: at, hash: h}
}

// parseStamp reads a file name; ok is false where it is not exactly one that newStamp writes.
func parseStamp(name string) (s stamp, ok bool) {
	rest, found := strings.CutSuffix(name, stampSuffix)
	if !found {
		return stamp{}, false
	}
	at, hash, found := strings.Cut(rest, "-")
	if !found || !Hash(hash).valid() {
		return stamp{}, false
	}
	t, err := time.Parse(stampLayout, at)
	if err != nil || checkTime(t) != nil {
		return stamp{}, false
	}
	s = newStamp(t, Hash(hash))
	return s, s.name == name
}

// checkTime refuses times that the name of a file cannot hold.
func checkTime(t time.Time) error {
	if y := t.UTC().Year(); y < 1970 || y > 9999 {
		return fmt.Errorf("the year %d is not between 1970 and 9999: set this machine's clock", y)
	}
	return nil
}

// plain reports whether r may stand in a line of the book: anything that a terminal shows as itself.
// Control characters could drive the terminal, and direction marks could make a line read as another.
func plain(r rune) bool {
	switch {
	case ' ' <= r && r <= '~':
		return true
	case r == '\u200c' || r == '\u200d': // the joiners, which some scripts need
		return true
	case unicode.In(r, unicode.Cc, unicode.Cf, unicode.Co, unicode.Cs, unicode.Zl, unicode.Zp):
		return false
	}
	return true
}

// Printable is s with every character that a terminal might obey written as an escape. Use it for
// text that the book did not check: kept files, names of stray files.
func Printable(s string) string {
	var b strings.Builder
	for i, r := range s {
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(s[i:], "\ufffd"):
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case !plain(r):
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// checkLine accepts one line of plain text.
func checkLine(field, s string, most int) error {
	if strings.TrimSpace(s) == "" {
		return &InputError{Field: field, Value: s, Why: "is empty"}
	}
	return checkOptionalLine(field, s, most)
}

// checkOptionalLine is checkLine for a field that may be left empty.
func checkOptionalLine(field, s string, most int) error {
	switch {
	case len(s) > most:
		return &InputError{Field: field, Value: s, Why: fmt.Sprintf("is longer than %d bytes", most)}
	case !utf8.ValidString(s):
		return &InputError{Field: field, Value: s, Why: "is not UTF-8 text"}
	case strings.ContainsFunc(s, func(r rune) bool { return !plain(r) }):
		return &InputError{Field: field, Value: s, Why: "holds a control character; give one line of plain text"}
	}
	return nil
}

// checkText accepts the text of a working file: UTF-8 lines with tabs and either kind of line end.
func checkText(field, s string, most int) error {
	if len(s) > most {
		return &InputError{Field: field, Why: fmt.Sprintf("is longer than %d bytes", most)}
	}
	if isASCIIText(s) {
		return nil
	}
	if !utf8.ValidString(s) {
		return &InputError{Field: field, Why: "is not UTF-8 text"}
	}
	line := 1
	for i, r := range s {
		switch {
		case r == '\n':
			line++
		case r == '\t', r == '\r' && strings.HasPrefix(s[i:], "\r\n"), plain(r):
		default:
			return &InputError{Field: field, Why: fmt.Sprintf("holds the control character %U in line %d", r, line)}
		}
	}
	return nil
}

// isASCIIText reports whether text is plain ASCII, as nearly every settings file is; List looks at a thousand of them.
func isASCIIText(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < ' ' || c > '~') && c != '\n' && c != '\t' {
			return false
		}
	}
	return true
}

// LargestKept is the size of the largest file that a version or a mark keeps, in bytes.
const LargestKept = maxKeptBytes

// LargestImport is how many bytes a file of Import may have.
const LargestImport = maxImportBytes

// Limits on what is read, so that a book or a file from elsewhere cannot exhaust memory. Settings run
// to a few kilobytes, boat files to tens, a two-hour record at 20 Hz and 30 columns to some 40 MB.
const (
	maxSettingsBytes = 256 << 10
	maxBoatBytes     = 1 << 20
	maxStampedBytes  = 1 << 20 // a version or mark; settings may double in size where they must be escaped
	maxKeptBytes     = 256 << 20
	maxImportBytes   = 4 << 30

	maxFilesPerFolder = 100_000
	maxParents        = 64
	maxSeen           = 4096 // 68 bytes each in the file
	maxVerdicts       = 200
	maxKept           = 200
	maxHeldBytes      = 64 << 20 // of a boat's versions at once, settings not counted

	maxLineBytes  = 200 // author, tool, names
	maxProseBytes = 1_000
)
