package study

import (
	"context"

	"quaybench/bench/variant"
)

// SumMissed is what the search makes small.
var SumMissed = sumMissed

// MeasureWishes returns what wishes are about, SI by kind, of a variant, in full-throttle and crash-stop; odds are not.
func MeasureWishes(ctx context.Context, v variant.Variant) (map[string]float64, error) {
	s, err := newSeeker(v, []Wish{{Kind: "stopping", Value: 1}}, nil, ProposeOptions{})
	if err != nil {
		return nil, err
	}
	t, err := s.at(ctx, v)
	if err != nil {
		return nil, err
	}
	return t.ended, nil
}
