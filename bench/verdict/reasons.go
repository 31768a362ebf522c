package verdict

import (
	"strings"

	"quaybench/bench/record"
)

// Reasons lists what brings a side to its verdict, each once: rules, parts, devices that opened, protection that did not act, limits that
// hunt, and why a trial is not judged. It is empty where all is clear.
func (s *Side) Reasons() []string {
	return s.reasons(func(what, _ string) string { return what })
}

// ReasonsWhere lists the same; a part or a device that opened stands with its trial, a part with its worst one.
func (s *Side) ReasonsWhere() []string {
	return s.reasons(func(what, trial string) string { return what + " in " + trial })
}

func (s *Side) reasons(text func(what, trial string) string) (out []string) {
	if s.Level == Clear {
		return nil
	}
	seen := map[string]bool{}
	add := func(text string) {
		if !seen[text] {
			seen[text] = true
			out = append(out, text)
		}
	}
	for _, f := range s.Findings {
		if f.Level == s.Level {
			add("rule " + f.Rule)
		}
	}
	parts, in := s.Worst()
	for i, p := range parts {
		if p.Level == s.Level && s.Level != NotJudged && (p.Measure != record.Melting || s.Level < Over) { // an event says of the fuse what it may do
			add(text(p.Name, in[i]))
		}
	}
	for _, t := range s.Trials {
		if s.Level == NotJudged {
			for _, why := range t.Unjudged {
				add(t.Name + ": " + why)
			}
		}
		if t.Level != s.Level {
			continue
		}
		for _, e := range t.Run.Events {
			if s.Level == Close && e.Hunts() {
				add(text("hunting of the "+e.Device, t.Name))
			}
		}
		if s.Level != Over {
			continue
		}
		for _, e := range t.Run.Events {
			if e.Kind == record.Protecting {
				add(text(e.What, t.Name))
			}
		}
		if len(t.Missing) > 0 {
			add("protection that did not come in " + t.Name)
		}
	}
	return out
}

// Gravest names what is worst of a side, and says where: "motor cable is over in hot-day"; "" where all is clear.
func (s *Side) Gravest() string {
	if s.Level == Clear {
		return ""
	}
	parts, in := s.Worst()
	at := -1
	for i, p := range parts {
		if p.Level == s.Level && (p.Measure != record.Melting || s.Level < Over) && (at < 0 || p.Used > parts[at].Used) {
			at = i
		}
	}
	if at >= 0 && s.Level != NotJudged {
		return parts[at].Name + " is " + s.Level.String() + " in " + in[at]
	}
	if why := s.ReasonsWhere(); len(why) > 0 {
		if strings.HasPrefix(why[0], "rule ") {
			return why[0] + " is " + s.Level.String()
		}
		return why[0]
	}
	return "it is " + s.Level.String()
}
