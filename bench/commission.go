package bench

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"quaybench/bench/link"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/verdict"
)

// ComparedSetting is a setting as the controller holds it beside the file's.
type ComparedSetting struct {
	link.Setting
	Controller, File float64 // SI; of a choice the index of the word, −1 where the file's word is none of the controller's
	Same             bool    // within what the controller can tell apart
}

// CompareSettings compares each setting that a controller has with the same one of a set.
func CompareSettings(s settings.Set, d link.Description, held map[string]float64) (out []ComparedSetting) {
	for _, k := range d.Settings {
		h := ComparedSetting{Setting: k, Controller: held[k.Key], File: fileValue(s, k)}
		h.Same = math.Abs(h.Controller-h.File) <= k.Step/2+1e-9*math.Abs(h.File)
		out = append(out, h)
	}
	return out
}

// fileValue returns a setting of a set as the link knows it.
func fileValue(s settings.Set, k link.Setting) float64 {
	if len(k.Words) == 0 {
		v, _ := s.Number(k.Key)
		return v
	}
	text, _ := s.Get(k.Key)
	for i, w := range k.Words {
		if w == text {
			return float64(i)
		}
	}
	return -1
}

// WriteOrder turns differences into changes in an order that is safe at each step: every set of settings on the way breaks
// no static rule that neither end breaks, and of what that leaves open, what makes things gentler comes first. It fails
// where a setting differs and cannot be written.
func WriteOrder(s *Setup, held []ComparedSetting) ([]link.Change, error) {
	var pending []link.Change
	now := s.Settings
	for _, h := range held {
		if h.Same {
			continue
		}
		switch {
		case h.ReadOnly:
			return nil, fmt.Errorf("%s differs, and the map says read-only: set it at the controller itself", h.Key)
		case len(h.Words) > 0 && h.File < 0:
			text, _ := s.Settings.Get(h.Key)
			return nil, fmt.Errorf("%s is %q in the settings file, which the controller has no word for; it has %s", h.Key, text, strings.Join(h.Words, ", "))
		case h.File < h.Min-h.Step/2 || h.File > h.Max+h.Step/2:
			show := func(v float64) string { return quantity.FormatStated(v, h.Unit) }
			return nil, fmt.Errorf("%s is %s in the settings file, outside what the controller takes, %s to %s", h.Key, show(h.File), show(h.Min), show(h.Max))
		}
		pending = append(pending, link.Change{Key: h.Key, From: h.Controller, To: h.File})
		now = told(now, h.Setting, h.Controller)
	}
	words := map[string]link.Setting{}
	for _, h := range held {
		words[h.Key] = h.Setting
	}
	sort.SliceStable(pending, func(i, j int) bool { return eases(pending[i]) && !eases(pending[j]) })
	allowed := broken(s, now)
	for rule := range broken(s, s.Settings) {
		allowed[rule] = true
	}
	var order []link.Change
	for len(pending) > 0 {
		pick := slices.IndexFunc(pending, func(c link.Change) bool { return fits(broken(s, told(now, words[c.Key], c.To)), allowed) })
		if pick < 0 {
			return nil, fmt.Errorf("%s cannot be written one by one without a rule broken on the way: write %s's limits lower first, then the rest", pending[0].Key, s.Boat.Name)
		}
		now = told(now, words[pending[pick].Key], pending[pick].To)
		order = append(order, pending[pick])
		pending = slices.Delete(pending, pick, pick+1)
	}
	return order, nil
}

// eases reports whether a change goes to the safer side: a current limit that falls, a ramp that lengthens.
func eases(c link.Change) bool {
	p, _ := settings.ByKey(c.Key)
	return (c.To > c.From) == p.SaferMore
}

func told(s settings.Set, k link.Setting, value float64) settings.Set {
	var next settings.Set
	var err error
	if len(k.Words) > 0 {
		next, err = s.With(k.Key, k.Words[int(value)])
	} else {
		next, err = s.WithNumber(k.Key, value)
	}
	if err != nil { // what the controller holds may lie outside the file's range: the rest is judged without it
		return s
	}
	return next
}

// broken returns the static rules that settings break.
func broken(s *Setup, set settings.Set) map[string]bool {
	out := map[string]bool{}
	for _, f := range verdict.Static(s.Boat, set) {
		if f.Level == verdict.Over {
			out[f.Rule] = true
		}
	}
	return out
}

func fits(rules, allowed map[string]bool) bool {
	for r := range rules {
		if !allowed[r] {
			return false
		}
	}
	return true
}
