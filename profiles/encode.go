package profiles

import (
	"fmt"
	"strconv"
	"strings"
	"time"
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

// formatError tells that a file was written by a newer or another tool.
func formatError(format int) error {
	return fmt.Errorf("format %d is not known here: read it with a newer quaybench", format)
}
