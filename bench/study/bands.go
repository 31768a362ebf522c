package study

import (
	"cmp"
	"context"
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// BandOptions says how to find the bands of margins. The zero value takes 80 draws.
type BandOptions struct {
	Draws    int
	Seed     uint64
	Progress func(done, all int)
}

// bandDraws are the draws for the bands of a screen. The half-width of a band from so many is itself known to 7 % (two standard
// deviations: 14 %), measured on petrel against 2,000.
const bandDraws = 80

// Bands is what the bands of a side's margins rest on.
type Bands struct {
	Draws   int
	Trials  []string // in which the draws were run: those in which some part has its worst
	LeftOut LeftOut
	None    string // why no margin has a band; "": they have
}

// FindBands stores in a judged side how wide the margin of each part is in its worst trial, verdict.Part.Band, over all that is not
// known of the boat.
func FindBands(ctx context.Context, b *boat.Boat, s settings.Set, side *verdict.Side, trials []*trial.Trial, o BandOptions) (Bands, error) {
	list := drive.Unknowns(b)
	out := Bands{Draws: cmp.Or(o.Draws, bandDraws)}
	parts, in := side.Worst()
	var asked []*trial.Trial
	for _, t := range trials {
		if slices.Contains(in, t.Name) {
			asked, out.Trials = append(asked, t), append(out.Trials, t.Name)
		}
	}
	if len(list) == 0 {
		return Bands{Trials: out.Trials, None: (&NoToleranceError{b.Name}).Error()}, nil
	}
	if len(asked) == 0 {
		return out, nil
	}
	q, left, err := simulateAll(ctx, b, list, s, asked, out.Draws, o.Seed, o.Progress)
	if out.LeftOut = left; err != nil {
		return out, err
	}
	for k, a := range q.trials {
		for at, worst := range parts {
			if in[at] != a.trial.Name {
				continue
			}
			if p := slices.IndexFunc(a.parts, func(r record.Part) bool { return r.Name == worst.Name }); p >= 0 {
				side.SetBand(worst.Name, in[at], q.fits[k].half(a.margin(p), worst.Margin))
			}
		}
	}
	return out, nil
}

// half returns half of the 95 % interval of a response around what it is with the boat as written: two root mean squares of how far the
// runs lie from it.
func (f *fit) half(response int, nominal float64) float64 {
	sum, n := 0.0, 0
	for _, a := range f.answers {
		if a.failed == nil && !math.IsNaN(a.values[response]) {
			d := a.values[response] - nominal
			sum, n = sum+d*d, n+1
		}
	}
	return 2 * math.Sqrt(sum/float64(max(n, 1)))
}

// Movers is what moves the tightest margin of a boat.
type Movers struct {
	Part, Trial string
	Unit        string  // of the part
	Margin      float64 // SI, of the boat as written
	Half        float64 // half of its 95 % interval
	Made        Made
	LeftOut     LeftOut
	Values      []Mover // the strongest first
	Withheld    string  // why there are none
}

// Mover is a value that is not known exactly, and what it does to a margin.
type Mover struct {
	drive.Unknown
	Half  float64 // SI: half of the 95 % interval of the margin from this value alone; negative where more of the value means less margin
	Share float64 // of the margin's variance, 0..1
	After float64 // half of the margin's interval if this value were known exactly
}

// moverDraws carry a fit of lines and squares in a hundred unknowns.
const moverDraws = 360

// FindMovers returns the values of a boat in the order in which they move the tightest margin: of the part that uses most of its
// limit, in the trial in which it does; of those with a temperature, where there are any. It returns a *NoToleranceError where every
// value is exact.
func FindMovers(ctx context.Context, b *boat.Boat, s settings.Set, side *verdict.Side, trials []*trial.Trial, o BandOptions) (Movers, error) {
	tightest, in, ok := side.Hottest()
	if !ok {
		tightest, in, ok = side.Tightest()
	}
	list := drive.Unknowns(b)
	switch {
	case !ok:
		return Movers{}, errors.New("no part was judged, so there is no margin that anything could move")
	case len(list) == 0:
		return Movers{}, &NoToleranceError{b.Name}
	}
	m := Movers{Part: tightest.Name, Trial: in, Unit: tightest.Unit, Margin: tightest.Margin}
	at := slices.IndexFunc(trials, func(t *trial.Trial) bool { return t.Name == m.Trial })
	q, left, err := simulateAll(ctx, b, list, s, trials[at:at+1], cmp.Or(o.Draws, max(moverDraws, 4*len(list))), o.Seed, o.Progress)
	if m.LeftOut, m.Made = left, q.made(); err != nil {
		return m, err
	}
	a, f := q.trials[0], q.fits[0]
	part := slices.IndexFunc(a.parts, func(r record.Part) bool { return r.Name == m.Part })
	m.Half = f.half(a.margin(part), m.Margin)
	var rows [][]float64
	var values []float64
	for i, r := range f.answers {
		if r.failed == nil {
			rows, values = append(rows, f.rows[i]), append(values, r.values[a.margin(part)])
		}
	}
	surface := newSurface(rows, mat.NewDense(len(values), 1, values), []threshold{{}}, nil)
	indices, ok := surface.indices(0)
	if !ok {
		m.Withheld = withheld(surface.explained[0], m.Part, m.Trial)
		return m, nil
	}
	for i, u := range list {
		share := indices[i].Total
		half := m.Half * math.Sqrt(share)
		if surface.by[0].coef.At(1+i, 0) < 0 {
			half = -half
		}
		m.Values = append(m.Values, Mover{Unknown: u, Half: half, Share: share, After: m.Half * math.Sqrt(max(0, 1-share))})
	}
	slices.SortStableFunc(m.Values, func(a, b Mover) int { return cmp.Compare(b.Share, a.Share) })
	return m, nil
}
