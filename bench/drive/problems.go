package drive

import (
	"errors"
	"fmt"

	"quaybench/bench/boat"
	"quaybench/bench/thermal"
)

// Problem is something in a boat file that only the model's own building finds: a fuse curve that no element follows, a
// propeller outside its series.
type Problem struct {
	Key string // where in the file
	Err error
}

// Problems builds each piece of the model on trial and lists what cannot be built.
func Problems(b *boat.Boat) (out []Problem) {
	found := func(key string, err error) {
		if err != nil {
			out = append(out, Problem{key, err})
		}
	}
	_, err := newBattery(&b.Battery)
	found("battery.ocv", err)
	_, err = newMotor(&b.Motor)
	found("motor.magnetisation", err)
	for i := range b.Cables {
		_, err := CableHeat(&b.Cables[i])
		found(fmt.Sprintf("cable[%d].section", i), err)
	}
	out = append(out, fuseProblems(&b.Fuse)...)
	if _, err := resist(&b.Hull); err != nil {
		found("hull", err)
	} else if hull, _, err := Water(b, 1025); hull.Check() != nil {
		found("hull", hull.Check())
	} else {
		found("propeller", err)
	}
	return out
}

func fuseProblems(f *boat.Fuse) []Problem {
	if f.Class != "" {
		if _, _, err := FuseCurves(f); err != nil {
			return []Problem{{"fuse.class", err}}
		}
		return nil
	}
	_, _, err := FuseCurves(f)
	if err == nil {
		return nil
	}
	key := "fuse.fastest"
	if alone := *f; len(f.Slowest) > 0 {
		alone.Slowest, alone.Melts = nil, f.Carries
		if _, _, e := FuseCurves(&alone); e == nil {
			key = "fuse.slowest"
		}
	}
	var steep *thermal.SteepError
	var curve *thermal.CurveError
	switch {
	case errors.As(err, &steep):
		key = fmt.Sprintf("%s[%d]", key, steep.Second)
	case errors.As(err, &curve) && curve.Index >= 0:
		key = fmt.Sprintf("%s[%d]", key, curve.Index)
	}
	return []Problem{{key, err}}
}
