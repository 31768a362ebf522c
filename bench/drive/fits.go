package drive

import (
	"reflect"
	"slices"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
)

// Fits keeps what takes long to work out of a boat file, the curves of fuse, hull and propeller, for the next model of a
// boat that says the same of them: trials and draws mostly do. The zero value is ready; one goroutine at a time.
type Fits struct {
	fuseOf           boat.Fuse
	fastest, slowest thermal.FuseModel

	hullOf  boat.Hull
	screwOf boat.Propeller
	density float64
	hull    hydro.Hull
	screw   hydro.Propeller // nil: none yet
}

func (f *Fits) fuse(of *boat.Fuse) (fastest, slowest thermal.FuseModel, err error) {
	alike := *of
	alike.Resistance = quantity.Value{} // differs from draw to draw, and no curve hangs on it
	if f.fastest.States() == 0 || !reflect.DeepEqual(f.fuseOf, alike) {
		if fastest, slowest, err = FuseCurves(of); err != nil {
			return fastest, slowest, err
		}
		f.fastest, f.slowest = fastest, slowest
		f.fuseOf = alike
		f.fuseOf.Fastest, f.fuseOf.Slowest = own(of.Fastest), own(of.Slowest)
	}
	return f.fastest, f.slowest, nil
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
