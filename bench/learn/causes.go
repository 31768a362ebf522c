package learn

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// Names of causes, in the trade's words.
const (
	batteryTired   = "battery tired: its resistance is up"
	magnetsWeak    = "magnets weak"
	propFouled     = "propeller fouled"
	propFouledFrom = "propeller fouled on the way"
	brushRises     = "brush drop rises with the current: brushes worn, or of another grade"
	hullSteeper    = "hull needs more at the top: trim, load or growth"
	coolingBlocked = "cooling blocked"
	jointUp        = "joint resistance up: "
)

// cause is one way in which a boat may differ from its file. A small dose of it, simulated, is the direction of a test.
type cause struct {
	name  string
	key   string  // of the value that it changes, where it is one
	from  float64 // s, of one that begins on the way
	dose  float64
	unit  string  // "%" of a share, "" for there or not there
	usual float64 // standard deviation of its size where it is there, in the unit of the size, with the sign that it can have; common practice, no source
	most  float64 // size beyond which it cannot be that cause, with that sign; common practice, no source
	loose float64 // its score spreads so much wider than 1 in right campaigns: a load that wanders is not what a slow error assumes
	boat  func(*boat.Boat) error
	trial func(*trial.Trial)
	model func(*drive.Model)
}

// wandering is the spread of the scores of load and hull in right campaigns of the prototype (n = 76): 1.5 to 1.6.
const wandering = 1.55

// badJoint is the resistance that a joint gains when it is bad: it glows at ten times as much (common practice, no source), Ω.
const badJoint = 1e-3

// glowing is how many times as much it may gain before it burns off.
const glowing = 10

// causesOf lists what may be the matter with a boat in a record.
func causesOf(b *boat.Boat, t *trial.Trial) (list []cause) {
	scale := func(name, key string, share, usual, most float64) {
		v, ok := datafile.Number(b, key)
		if !ok || v == 0 {
			return
		}
		list = append(list, cause{name: name, key: key, dose: share, usual: usual, most: most, unit: "%", loose: 1, boat: func(b *boat.Boat) error { // a fitted value may have moved
			now, _ := datafile.Number(b, key)
			return datafile.SetNumber(b, key, now*(1+share))
		}})
	}
	for i, j := range b.Joints {
		scale(jointUp+j.Name, fmt.Sprintf("joint[%d].resistance", i), 1, badJoint/j.Resistance.SI, glowing*badJoint/j.Resistance.SI)
	}
	scale(batteryTired, "battery.resistance", 0.2, usually(b, "battery.resistance"), 9)
	scale(magnetsWeak, "motor.constant", -0.05, usually(b, "motor.constant"), -0.6)
	sea := func(factor func(t float64) float64) func(*drive.Model) {
		return func(m *drive.Model) { m.Sea = factor }
	}
	list = append(list, cause{name: propFouled, dose: 0.05, usual: usually(b, "propeller.measured_power"), most: 4, unit: "%", loose: wandering, model: sea(func(float64) float64 { return 1.05 })})
	if len(b.Hull.SpeedPower)+len(b.Hull.Resistance) > 0 && !t.Moored {
		list = append(list, cause{name: hullSteeper, dose: 0.1, usual: 0.3, most: 3, unit: "%", loose: wandering, boat: func(b *boat.Boat) error { steeper(b, 1.1); return nil }})
	}
	if b.Motor.Kind != "brushless" && b.Motor.BrushDrop.SI > 0 {
		list = append(list, cause{name: brushRises, dose: 0.3, usual: 1, most: 5, unit: "%", loose: 1, model: func(m *drive.Model) { m.SetBrushSlope(0.3) }})
	}
	for _, share := range []float64{0.2, 0.4, 0.6, 0.8} {
		from := share * t.Duration
		list = append(list, cause{name: propFouledFrom, from: from, dose: 0.05, usual: 0.5, most: 4, unit: "%", loose: wandering, model: sea(func(t float64) float64 {
			return 1 + 0.05*max(0, min(1, (t-from+20)/40))
		})})
	}
	for _, share := range []float64{0, 0.2, 0.4, 0.6, 0.8} {
		from := share * t.Duration
		if from < t.CoolingLostFrom {
			list = append(list, cause{name: coolingBlocked, from: from, dose: 1, usual: 1, most: 1, loose: 1, trial: func(t *trial.Trial) { t.CoolingLostFrom = from }})
		}
	}
	return list
}

// steeper multiplies the power (or resistance) of a hull's table above three quarters of its highest speed.
func steeper(b *boat.Boat, factor float64) {
	table := &b.Hull.SpeedPower
	if len(*table) == 0 {
		table = &b.Hull.Resistance
	}
	if len(*table) == 0 {
		return
	}
	top := (*table)[len(*table)-1][0]
	fresh := slices.Clone(*table)
	for i, row := range fresh {
		if row[0] > 0.76*top {
			fresh[i] = []float64{row[0], row[1] * factor}
		}
	}
	*table = fresh
}

// Suspect is a cause as a record speaks for it.
type Suspect struct {
	Cause string
	From  float64 // s, where it began on the way
	Size  float64 // how much of it explains the record best: a share of what the file has, or 1 for all of it
	SD    float64 // of the size
	Share bool    // Size is a share
	// Score is how many standard deviations the record speaks for it: the size over its own, less where a size that is usual for the cause would not
	// show in this record (a score test with a prior on the size). 0: it would have to be less than none, or more than it can be.
	Score float64
	Most  bool    // Size is the most that it can be, and would fit still better if it could be more
	Odds  float64 // probability of such a score by chance, all causes asked counted
	// Like lists causes that this record can't tell from it.
	Like []string
}

const (
	// named is the score beyond which a cause is named, standard deviations: by chance 2 % of records have one of a dozen causes beyond it, and of 40 right campaigns none had (the
	// highest score was 2.5).
	named = 3.0
	// suspicious is the score beyond which what is told allows for a cause that is not named, the strongest that is no value of the file. Of 40 right campaigns six had one, of 30 with a wrong part 29.
	suspicious = 2.0
)

// Named reports whether the cause goes beyond what chance, meters and tolerances explain.
func (s *Suspect) Named() bool { return math.Abs(s.Score) > named }

// allowFor widens what a fit tells by how far its values would move if a cause were there, as much of it as the records speak for: told values of campaigns whose model had a wrong
// part that nothing named covered 0.87 without.
func (f *fitted) allowFor(d *direction, c *cause) *fitted {
	k := len(d.cross)
	size := 1 / (d.V + 1/(c.usual*c.usual)) // its variance under the prior of its usual size
	scale := math.Sqrt(size*d.u*size*d.u + size)
	moves := make([]float64, k)
	for a := range k {
		for b := range k {
			moves[a] += scale * f.cov.At(a, b) * d.cross[b]
		}
	}
	wide := *f
	wide.cov = mat.NewSymDense(k, nil)
	wide.cov.SymRankOne(f.cov, 1, mat.NewVecDense(k, moves))
	return &wide
}

// weigh scores a suspect of a size that is usual, with its sign.
func (s *Suspect) weigh(usual float64) {
	if s.Size*usual > 0 {
		s.Score = math.Abs(s.Size) / s.SD / math.Hypot(1, s.SD/usual)
	}
}

// bound keeps the size of a suspect within what it can be, from none to the most, with its sign. What would have to be larger by more than chance is not the cause, whatever it
// explains.
func (s *Suspect) bound(most float64) {
	switch over := math.Abs(s.Size) - math.Abs(most); {
	case s.Size*most < 0:
		s.Size, s.Score = 0, 0
	case over > 0:
		if s.Size = most; over > two*s.SD {
			s.Score = 0
		}
		s.Most = s.Score > 0
	}
}

// direction is a cause's effect on all rows, whitened, less what unknowns and noise can do as well.
type direction struct {
	e     []float64
	cross []float64
	V, u  float64
}

// blame runs the directed test of each cause (a score test, Rao 1948): one simulation a record and cause.
// The fit it returns allows for the strongest that is suspicious and no value of the fit.
func (p *problem) blame(ctx context.Context, f *fitted) ([]Suspect, *fitted, error) {
	k := p.size()
	n := len(p.values)
	place := func(r *recorded, j int) int {
		if j >= n {
			j += r.first - n
		}
		return j
	}
	residual := make([][]float64, 0)
	columns := make([][][]float64, 0)
	// left is what the unknowns would still move by to first order: nothing at the mode, more where a step was cut short.
	left := make([]float64, k)
	for j := range left {
		left[j] = -f.x[j]
	}
	for i, r := range p.records {
		at, from := p.local(r, f.x), p.local(r, f.linear.x)
		for _, s := range f.sets[i] {
			res := slices.Clone(s.error)
			cols := make([][]float64, len(s.cols))
			for j, c := range s.cols {
				cols[j] = slices.Clone(c)
				for q := range res {
					res[q] -= c[q] * (at[j] - from[j])
				}
			}
			s.filter(append(cols, res)...)
			for j, c := range cols {
				left[place(r, j)] += dot(c, res)
			}
			residual, columns = append(residual, res), append(columns, cols)
		}
	}
	list := causesOf(p.boat, p.records[0].trial)
	found := make([]*direction, len(list))
	base := make([][][]float64, len(p.records))
	for i, r := range p.records {
		own := p.local(r, f.x)
		run, err := p.run(ctx, r, own[:n], own[n:])
		if err != nil {
			return nil, nil, err
		}
		if base[i], err = r.means(run); err != nil {
			return nil, nil, err
		}
	}
	var group errgroup.Group
	group.SetLimit(runtime.GOMAXPROCS(0))
	for c := range list {
		group.Go(func() error {
			d := &direction{cross: make([]float64, k)}
			at := 0
			for i, r := range p.records {
				run, err := p.dosed(ctx, r, f, &list[c])
				if err != nil {
					if ctx.Err() != nil {
						return context.Cause(ctx)
					}
					return nil // a dose that no boat takes says nothing
				}
				predicted, err := r.means(run)
				if err != nil {
					return nil
				}
				for ch, s := range f.sets[i] {
					e := make([]float64, len(s.at))
					for q := range e {
						e[q] = (predicted[ch][q] - base[i][ch][q]) / list[c].dose
					}
					s.filter(e)
					d.e = append(d.e, e...)
					d.u += dot(e, residual[at])
					d.V += dot(e, e)
					for j, col := range columns[at] {
						d.cross[place(r, j)] += dot(e, col)
					}
					at++
				}
			}
			for a := range k {
				for b := range k {
					d.V -= d.cross[a] * f.cov.At(a, b) * d.cross[b]
					d.u -= d.cross[a] * f.cov.At(a, b) * left[b]
				}
			}
			found[c] = d
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, nil, err
	}
	var out []Suspect
	var dirs []*direction
	var of []int // index of the cause
	at := drive.Place(p.boat, p.values, f.x[:n])
	for c, d := range found {
		if d == nil || !(d.V > 1e-6) {
			continue
		}
		loose := list[c].loose
		s := Suspect{Cause: list[c].name, From: max(0, list[c].from-p.records[0].clock), Share: list[c].unit == "%", Size: d.u / d.V, SD: loose / math.Sqrt(d.V)}
		s.weigh(list[c].usual)
		if was, ok := datafile.Number(p.boat, list[c].key); ok && list[c].key != "" && was != 0 { // the values found may have taken a part of it
			now, _ := datafile.Number(at, list[c].key)
			s.Size, s.SD = now/was*(1+s.Size)-1, now/was*s.SD
		}
		s.bound(list[c].most)
		s.Odds = min(1, float64(len(list))*distuv.UnitNormal.Survival(s.Score))
		out, dirs, of = append(out, s), append(dirs, d), append(of, c)
	}
	order := make([]int, len(out))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := math.Abs(out[a].Score), math.Abs(out[b].Score); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	// Of a cause that may begin at several instants the best one stands for all.
	var sorted []Suspect
	var kept []*direction
	var first []int
	for _, i := range order {
		if !slices.ContainsFunc(sorted, func(s Suspect) bool { return s.Cause == out[i].Cause }) {
			sorted, kept, first = append(sorted, out[i]), append(kept, dirs[i]), append(first, of[i])
		}
	}
	for i := range sorted {
		for j := range sorted {
			if i != j && math.Abs(p.alike(kept[i], kept[j], f)) > alike && math.Abs(sorted[j].Score) > named/2 {
				sorted[i].Like = append(sorted[i].Like, sorted[j].Cause)
			}
		}
	}
	// A cause that is a value of the file is in the fit already: that it may lie beyond its tolerance moves no other model's value.
	for i, s := range sorted {
		if s.Score > suspicious && list[first[i]].key == "" {
			f = f.allowFor(kept[i], &list[first[i]])
			break
		}
	}
	return sorted, f, nil
}

// alike is the correlation of two causes' effects above which a record can't tell one from the other.
const alike = 0.85

// alike returns the correlation of two directions, less what unknowns can do.
func (p *problem) alike(a, b *direction, f *fitted) float64 {
	if len(a.e) != len(b.e) {
		return 0
	}
	v := dot(a.e, b.e)
	for i := range a.cross {
		for j := range b.cross {
			v -= a.cross[i] * f.cov.At(i, j) * b.cross[j]
		}
	}
	return v / math.Sqrt(a.V*b.V)
}

// dosed simulates a record at the values found, with a dose of a cause.
func (p *problem) dosed(ctx context.Context, r *recorded, f *fitted, c *cause) (*record.Run, error) {
	own := p.local(r, f.x)
	n := len(p.values)
	changed, t := *r, *r.trial
	changed.trial = &t
	if c.trial != nil {
		c.trial(&t)
	}
	if c.model != nil {
		changed.model = c.model
	}
	b, at := place(p.boat, &t, p.values, p.scores(r, own[:n], own[n:]), own[n])
	if c.boat != nil {
		if err := c.boat(b); err != nil {
			return nil, err
		}
	}
	return p.simulate(ctx, &changed, b, at, own[n:])
}
