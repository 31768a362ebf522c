package profiles

import (
	"context"
	"slices"
	"time"
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

// History tells who set a key, when and why, from the oldest version on. Versions that cannot be read
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
