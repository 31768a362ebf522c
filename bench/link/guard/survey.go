package guard

import (
	"context"
	"errors"
)

// Surveyed is one setting or reading as it was found, raw and scaled.
type Surveyed struct {
	Field
	Key   string
	Raw   uint64
	Value float64 // SI, or the index of the word
	Err   error   // why there is no value
}

// Survey reads every setting and every reading, each by itself, so that one that is not there hides no other. It writes
// nothing. It ends with the error of a line that is lost; what was read until then comes with it.
func (c *Controller) Survey(ctx context.Context) (list []Surveyed, err error) {
	op, end, err := c.begin(ctx)
	if err != nil {
		return nil, err
	}
	for _, s := range c.m.Settings {
		list = append(list, Surveyed{Field: s.Field, Key: s.Key})
	}
	for _, r := range c.m.Readings {
		list = append(list, Surveyed{Field: r.Field, Key: r.Name})
	}
	for i := range list {
		s := &list[i]
		raw, err := c.read(op, s.Place)
		explained, refused := c.store.Refusal(err, s.Place)
		switch {
		case refused:
			s.Err = explained
			continue
		case err != nil:
			return list[:i], end(err)
		}
		s.Raw = raw
		var ok bool
		if s.Value, ok = s.Decode(raw); !ok {
			s.Err = errors.New("no word of the map has this count, or it is no number")
		}
	}
	return list, end(nil)
}

// Example is a raw count with what it means.
type Example struct {
	Count float64
	Value float64 // SI
}

// Example returns a count to explain the field by: the one of a value, where the field can hold that.
func (f Field) Example(of float64) (Example, bool) {
	raw, ok := f.Encode(of)
	if !ok {
		return Example{}, false
	}
	value, ok := f.Decode(raw)
	return Example{f.Kind.Number(raw), value}, ok
}
