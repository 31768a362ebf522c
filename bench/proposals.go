package bench

import (
	"fmt"
	"strings"
	"unicode"

	"quaybench/bench/report"
	"quaybench/bench/verdict"
)

// NamedProposal is one of several proposals that are tried side by side.
type NamedProposal struct {
	Name string
	Set  []string // assignments key=value, see Setup.With
}

// NamedSide is what became of it.
type NamedSide struct {
	Name     string
	Setup    *Setup // the boat and settings with the proposal
	Side     verdict.Side
	Untested []string // as in Tried
}

// mostProposals is how many stand side by side on a screen of 80 columns.
const mostProposals = 5

// ParseProposals reads proposals as they are written on a command line: "name: KEY=VALUE, KEY=VALUE". A comma parts two assignments where
// a key and = follow it, so that a value may hold commas of its own.
func ParseProposals(texts []string) (out []NamedProposal, err error) {
	if len(texts) > mostProposals {
		return nil, fmt.Errorf("%d proposals: at most %d stand side by side", len(texts), mostProposals)
	}
	seen := map[string]bool{"present": true}
	for _, text := range texts {
		equals := strings.Index(text, "=")
		name, rest, ok := strings.Cut(text, ":")
		if name = strings.TrimSpace(name); !ok || name == "" || equals < len(name) {
			return nil, fmt.Errorf("%q: write a proposal as \"NAME: KEY=VALUE, KEY=VALUE\"", text)
		}
		if strings.IndexFunc(name, unicode.IsControl) >= 0 || len([]rune(name)) > 40 {
			return nil, fmt.Errorf("%q is no name for a proposal: at most 40 characters on one line", name)
		}
		if seen[strings.ToLower(name)] {
			return nil, fmt.Errorf("two proposals are called %q, or it is the word for the settings as they stand; give each its own name", name)
		}
		seen[strings.ToLower(name)] = true
		out = append(out, NamedProposal{name, assignments(rest)})
	}
	return out, nil
}

// assignments splits a list of assignments at its commas.
func assignments(text string) (out []string) {
	from, depth, quoted := 0, 0, false
	for i, r := range text {
		switch {
		case r == '"':
			quoted = !quoted
		case quoted:
		case r == '[':
			depth++
		case r == ']':
			depth--
		case r == ',' && depth == 0 && begins(text[i+1:]):
			out, from = append(out, text[from:i]), i+1
		}
	}
	return append(out, text[from:])
}

// begins reports whether an assignment begins here: a key, which has no comma but within brackets, and =.
func begins(text string) bool {
	depth := 0
	for _, r := range text {
		switch {
		case r == '=':
			return true
		case r == '[':
			depth++
		case r == ']':
			depth--
		case r == ',' && depth == 0:
			return false
		}
	}
	return false
}

// words returns what was proposed in words, as Tried.Words does for one proposal.
func (n *NamedSide) words(from *Setup) (words, follows []string) {
	t := Tried{Setup: from, Changed: n.Setup, Proposal: &n.Setup.Settings}
	if words, follows = t.Words(); words == nil {
		words = report.Changes(from.Settings, n.Setup.Settings)
	}
	return words, follows
}

// Compared returns the result of several proposals as a report takes it.
func (t *Tried) Compared() *report.Compared {
	out := &report.Compared{Sides: []report.ComparedSide{{Name: "present", Side: &t.Present}}}
	for i := range t.Several {
		n := &t.Several[i]
		words, follows := n.words(t.Setup)
		out.Sides = append(out.Sides, report.ComparedSide{Name: n.Name, Side: &n.Side, Words: words, Follows: follows, Untested: n.Untested})
	}
	if t.NotJudged != nil {
		out.NotJudged = t.NotJudged.Error()
	}
	return out
}
