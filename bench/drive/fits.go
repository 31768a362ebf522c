package drive

import (
	"reflect"
	"slices"
	"sync"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/hydro"
	"quaybench/bench/thermal"
)

// Fits keeps what takes long to work out of a boat file, the curves of hull and propeller, for the next model of a
// boat that says the same of them: trials and draws mostly do. The zero value is ready; one goroutine at a time.
type Fits struct {
	hullOf  boat.Hull
	screwOf boat.Propeller
	density float64
	hull    hydro.Hull
	screw   hydro.Propeller // nil: none yet
}

func (f *Fits) water(b *boat.Boat, density float64) (hydro.Hull, hydro.Propeller, error) {
	if f.screw == nil || f.density != density || !reflect.DeepEqual(f.hullOf, b.Hull) || !reflect.DeepEqual(f.screwOf, b.Propeller) {
		hull, screw, err := Water(b, density)
		if err != nil {
			return hull, screw, err
		}
		f.hull, f.screw, f.density = hull, screw, density
		f.hullOf, f.screwOf = b.Hull, b.Propeller
		f.hullOf.SpeedPower, f.hullOf.Resistance = own(b.Hull.SpeedPower), own(b.Hull.Resistance)
		f.screwOf.OpenWater = own(b.Propeller.OpenWater)
	}
	return f.hull, f.screw, nil
}

// own copies a table, which its owner may change.
func own(t datafile.Table) datafile.Table {
	t = slices.Clone(t)
	for i := range t {
		t[i] = slices.Clone(t[i])
	}
	return t
}

// fuseFit is the fitted curves of a fuse, or why there are none.
type fuseFit struct {
	of               boat.Fuse
	fastest, slowest thermal.FuseModel
	err              error
}

// fuseFits keeps the newest fits, which hang on nothing but the fuse. Nobody waits for another's fit.
type fuseFits struct {
	sync.Mutex
	list []fuseFit
}

// mostFuses is how many fits are kept.
const mostFuses = 8

var fuses fuseFits

func (l *fuseFits) find(of *boat.Fuse) (k fuseFit, ok bool) {
	l.Lock()
	defer l.Unlock()
	i := slices.IndexFunc(l.list, func(k fuseFit) bool { return reflect.DeepEqual(&k.of, of) })
	if i < 0 {
		return k, false
	}
	return l.list[i], true
}

func (l *fuseFits) keep(k fuseFit) {
	l.Lock()
	defer l.Unlock()
	l.list = append([]fuseFit{k}, l.list[:min(len(l.list), mostFuses-1)]...)
}
