package learn

import (
	"context"
	"math"
	"slices"

	"quaybench/bench/drive"
	"quaybench/bench/trial"
)

// Reach is the first part whose limit a value reaches on its way, all else being as it is.
type Reach struct {
	Part, Trial string
	Value       float64 // of what moves, SI
	// Early and Late are when, as days from the first record on, at 95 %. Late is infinite where nobody can tell; 0 both: the limit is passed already.
	Early, Late float64
}

// Century is the longest way into the future that is looked, days.
const century = 36525.0

// FindReach looks in some trials where a value that moved ends at its pace, the boat being as the records have it otherwise. It leaves Reach nil where the pace is not sure, or nothing
// comes to its limit in a century.
func (d *Drifting) FindReach(ctx context.Context, t *Track, trials []*trial.Trial) error {
	if !t.Moved || math.IsNaN(t.Pace) || t.PaceLow*t.PaceHigh <= 0 {
		return nil
	}
	p := d.problem
	all := append(slices.Clone(p.values), p.quiet...)
	z := make([]float64, len(all))
	for i := range p.values {
		z[i] = max(-3, min(3, d.fit.x[i]))
	}
	j := slices.IndexFunc(all, func(u Unknown) bool { return u.Key == t.Key })
	if j < 0 {
		return nil
	}
	plain := slices.DeleteFunc(slices.Clone(trials), func(t *trial.Trial) bool { return len(t.Expect) > 0 })
	// worst returns the least margin with the value at v; ok is false where no boat has it.
	worst := func(v float64) (margin float64, part, in string, ok bool, err error) {
		if z[j] = t.unknown.Spread.Score(v); math.IsInf(z[j], 0) || math.IsNaN(z[j]) {
			return 0, "", "", false, nil
		}
		b := drive.Place(p.boat, all, z)
		list, _, err := runs(ctx, b, p.settings, plain)
		if err != nil {
			return 0, "", "", false, err
		}
		margin = math.Inf(1)
		for i, run := range list {
			if run == nil {
				return 0, "", "", false, nil
			}
			for name, m := range margins(run) {
				if m < margin || m == margin && name < part {
					margin, part, in = m, name, plain[i].Name
				}
			}
		}
		return margin, part, in, true, nil
	}
	n := len(t.Day) - 1
	now, longest := t.Value[n], century*max(math.Abs(t.PaceLow), math.Abs(t.PaceHigh))
	towards := math.Copysign(1, t.Pace)
	margin, part, in, ok, err := worst(now)
	switch {
	case err != nil || !ok:
		return err
	case margin < 0:
		t.Reach = &Reach{Part: part, Trial: in, Value: now}
		return nil
	}
	near, far := 0.0, max(math.Abs(t.High[n]-t.Low[n]), 0.01*math.Abs(now))
	for {
		far = min(far, longest)
		if margin, part, in, ok, err = worst(now + towards*far); err != nil || !ok {
			return err
		}
		if margin < 0 {
			break
		}
		if far == longest {
			return nil
		}
		near, far = far, 2*far
	}
	for far-near > 0.01*far {
		middle := (near + far) / 2
		m, its, its2, ok, err := worst(now + towards*middle)
		switch {
		case err != nil:
			return err
		case ok && m >= 0:
			near = middle
		default:
			far = middle
			if ok {
				part, in = its, its2
			}
		}
	}
	slow, fast := math.Abs(t.PaceLow), math.Abs(t.PaceHigh)
	if slow > fast {
		slow, fast = fast, slow
	}
	half := (t.High[n] - t.Low[n]) / 2
	t.Reach = &Reach{Part: part, Trial: in, Value: now + towards*far, Early: t.Day[n] + max(0, far-half)/fast, Late: t.Day[n] + (far+half)/slow}
	if t.Reach.Early > century {
		t.Reach = nil
	} else if t.Reach.Late > century {
		t.Reach.Late = math.Inf(1)
	}
	return nil
}
