package bench

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"

	"quaybench/bench/report"
	"quaybench/bench/variant"
)

// Assumed is a value that is not the files': a setting, a value of the boat, or a condition of all trials.
type Assumed struct {
	Key      string   `json:"key"`
	From     string   `json:"from"` // "" where the file leaves it to what follows from the rest
	To       string   `json:"to"`
	Followed []string `json:"followed"` // what follows from it, in sentences
}

// String returns the change in words: "propeller.pitch 0.24 m instead of 0.22 m".
func (a *Assumed) String() string {
	from := a.From
	if from == "" {
		from = "what follows from the rest"
	}
	return a.Key + " " + a.To + " instead of " + from
}

// Variant returns the setup as a study takes it.
func (s *Setup) Variant() variant.Variant {
	return variant.Variant{Boat: s.Boat, Settings: s.Settings, Conditions: s.Conditions}
}

// With returns the setup with assignments made, key=value each: limits.motor_current="240 A" (a setting), propeller.pitch=0.24 m (of
// the boat), air=40 °C (of all trials). What follows from a value follows, and Assumed says so. The setup itself stays as it is.
func (s *Setup) With(assignments []string) (*Setup, error) {
	if len(assignments) == 0 {
		return s, nil
	}
	out := *s
	out.Assumed = append([]Assumed(nil), s.Assumed...)
	v, changed := s.Variant(), ""
	made := map[string]string{}
	for _, text := range assignments {
		key, value, err := parseAssignment(text)
		if err != nil {
			return nil, err
		}
		was, _, _ := strings.Cut(v.Get(key), ",") // without where it comes from
		next, notes, err := v.With(key, value)
		if err != nil {
			return nil, err
		}
		name := v.Name(key)
		if resolved, err := v.Boat.Resolved(key); err == nil {
			name = v.Name(resolved)
		}
		if first, twice := made[name]; twice {
			return nil, fmt.Errorf("%s is set twice, to %q and to %q; keep one", key, first, value)
		}
		made[name] = value
		is := next.Get(key)
		out.Assumed = append(out.Assumed, Assumed{Key: name, From: was, To: value, Followed: append([]string{}, notes...)})
		if next.Boat != v.Boat {
			changed += name + "=" + is + "\n"
		}
		v = next
	}
	if err := v.Problems(); err != nil {
		return nil, err
	}
	out.Boat, out.Settings, out.Conditions = v.Boat, v.Settings, v.Conditions
	if changed != "" { // a record of this boat is none of the file's
		sum := sha256.Sum256([]byte(s.BoatHash + "\n" + changed))
		out.BoatHash = hex.EncodeToString(sum[:8])
	}
	return &out, nil
}

// AssumesBoat returns the first value of the boat that is not the file's; nil where the boat is as the file has it.
func (s *Setup) AssumesBoat() *Assumed {
	for i := range s.Assumed {
		if a := &s.Assumed[i]; !variant.IsSetting(a.Key) && s.Conditions[a.Key] == 0 {
			return a
		}
	}
	return nil
}

// AssumedWords returns the values of boat and trials that are not the files', with what follows from them, in words.
func (s *Setup) AssumedWords() (out []string) {
	for i := range s.Assumed {
		if a := &s.Assumed[i]; !variant.IsSetting(a.Key) {
			out = append(append(out, a.String()), a.Followed...)
		}
	}
	return out
}

// Words returns what was proposed, settings first, and what follows from it; nil where nothing but settings was.
func (t *Tried) Words() (words, follows []string) {
	if t.Changed == nil {
		return nil, nil
	}
	made := t.Changed.Assumed[len(t.Setup.Assumed):]
	var others []string
	for i := range made {
		if a := &made[i]; !variant.IsSetting(a.Key) {
			others, follows = append(others, a.String()), append(follows, a.Followed...)
		}
	}
	if others == nil {
		return nil, nil
	}
	if *t.Proposal != t.Setup.Settings {
		words = report.Changes(t.Setup.Settings, *t.Proposal)
	}
	return append(words, others...), follows
}

// parseAssignment returns the key and the value of key=value.
func parseAssignment(text string) (key, value string, err error) {
	key, value, ok := strings.Cut(text, "=")
	if !ok {
		return "", "", fmt.Errorf("%q is no assignment; write for example limits.motor_current=\"240 A\"", text)
	}
	key, value = strings.TrimSpace(key), strings.TrimSpace(value)
	if n := len(value); n >= 2 && value[0] == '"' && value[n-1] == '"' {
		value = value[1 : n-1]
	}
	return key, value, nil
}
