package benchtest

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
)

// Figure is a number of a boat file: a key, and of a table of rows its column.
type Figure struct {
	Key    string
	Column int // -1: the key is no table
}

func (f Figure) String() string {
	if f.Column < 0 {
		return f.Key
	}
	return f.Key + " column " + strconv.Itoa(f.Column+1)
}

// Figures lists the numbers that a boat file may hold, found by its tags. Of the elements of a table the first stands for all.
func Figures() (out []Figure) {
	for _, f := range datafile.Fields(boat.Boat{}) {
		key := strings.ReplaceAll(f.Key, "[]", "[0]")
		switch f.Kind {
		case datafile.KindQuantity, datafile.KindInteger:
			out = append(out, Figure{key, -1})
		case datafile.KindRows:
			for i := range strings.Split(f.Unit, "|") {
				out = append(out, Figure{key, i})
			}
		}
	}
	return out
}

// table returns the rows of a key.
func table(b *boat.Boat, key string) *datafile.Table {
	return map[string]*datafile.Table{
		"battery.polarisation": &b.Battery.Polarisation, "battery.ocv": &b.Battery.OCV, "fuse.fastest": &b.Fuse.Fastest, "fuse.slowest": &b.Fuse.Slowest,
		"stage.switch_heat": &b.Stage.SwitchHeat, "stage.freewheel_heat": &b.Stage.FreewheelHeat, "motor.magnetisation": &b.Motor.Magnetisation,
		"propeller.open_water": &b.Propeller.OpenWater, "hull.speed_power": &b.Hull.SpeedPower, "hull.resistance": &b.Hull.Resistance,
	}[key]
}

// Stated reports whether a boat states a figure.
func (f Figure) Stated(b *boat.Boat) bool {
	if f.Column >= 0 {
		return len(*table(b, f.Key)) > 0
	}
	_, ok := datafile.Number(b, f.Key)
	if !ok {
		text, is := datafile.Get(b, f.Key)
		_, err := strconv.Atoi(text)
		ok = is && err == nil && text != "0"
	}
	return ok
}

// Times returns the boat with a figure so many times as large, as a file with that figure is read: at most as large, or small, as the
// reader lets it be, and what the file leaves out following from it. ok is false where the reader refuses any such value.
func (f Figure) Times(b *boat.Boat, factor float64) (changed *boat.Boat, ok bool) {
	if f.Column >= 0 {
		out := *b
		rows := table(&out, f.Key)
		var scaled datafile.Table
		for _, row := range *rows {
			row = slices.Clone(row)
			row[f.Column] *= factor
			scaled = append(scaled, row)
		}
		*rows = scaled
		return &out, true
	}
	var field datafile.Field
	for _, k := range datafile.Fields(boat.Boat{}) {
		if strings.ReplaceAll(k.Key, "[]", "[0]") == f.Key {
			field = k
		}
	}
	if field.Kind == datafile.KindInteger {
		text, _ := datafile.Get(b, f.Key)
		n, _ := strconv.Atoi(text)
		changed, err := b.With(f.Key, strconv.Itoa(int(math.Ceil(float64(n)*factor))))
		return changed, err == nil
	}
	x, _ := datafile.Number(b, f.Key)
	end := field.Low
	if factor > 1 {
		end = field.High
		if x == 0 {
			x = 1 / factor // of whatever unit
		}
	}
	for _, si := range []float64{x * factor, end} {
		if changed, err := b.WithNumber(f.Key, si); err == nil {
			return changed, true
		}
	}
	return nil, false
}
