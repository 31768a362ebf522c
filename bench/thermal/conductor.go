package thermal

import (
	"fmt"
	"math"
	"strings"
	"sync"
)

// Celsius20 is 20 °C in kelvin, the reference temperature of conductor tables.
const Celsius20 = zeroCelsius + 20

const zeroCelsius = 273.15

// Material is a conductor metal.
type Material struct {
	Name        string
	Resistivity float64 // Ω·m at 20 °C
	Coefficient float64 // 1/K, of resistance, at 20 °C
	Volumetric  float64 // J/(K·m³), heat capacity
	ZeroPoint   float64 // K below 0 °C at which resistance would be zero, β of IEC 60364-5-54
	Melting     float64 // K
}

// Copper returns standard annealed copper: IEC 60028:1925 (resistivity, coefficient);
// heat capacity and β of IEC 60364-5-54 annex A.
func Copper() Material {
	return Material{
		Name: "copper", Resistivity: 1 / 58e6, Coefficient: 0.00393,
		Volumetric: 3.45e6, ZeroPoint: 234.5, Melting: zeroCelsius + 1083,
	}
}

// Ratio returns the resistance at temperature T (K) over that at 20 °C.
func (m Material) Ratio(T float64) float64 { return 1 + m.Coefficient*(T-Celsius20) }

// ConductorClass is the stranding of a conductor by IEC 60228.
type ConductorClass int

const (
	Class2 ConductorClass = 2 // stranded
	Class5 ConductorClass = 5 // flexible
)

// SizeError is a conductor section or gauge that its table does not list.
type SizeError struct {
	Size    string
	Nearest []string
}

func (e *SizeError) Error() string {
	return fmt.Sprintf("conductor size %s is not in the table: the nearest is %s; or give the resistance itself", e.Size, strings.Join(e.Nearest, " or "))
}

var conductorTable = sync.OnceValue(func() [][]float64 { return numbers("iec60228.csv") })

// ConductorResistance returns the highest resistance at 20 °C in Ω/m that IEC 60228
// allows a copper conductor of a nominal section (m²), wires plain or coated
// (tinned). Sections between the nominal ones are a *SizeError.
func ConductorResistance(section float64, class ConductorClass, coated bool) (float64, error) {
	column := 0
	switch class {
	case Class2:
		column = 1
	case Class5:
		column = 2
	default:
		return 0, fmt.Errorf("conductor class %d is not in the table: use class 2 or 5", class)
	}
	if coated {
		column += 2
	}
	rows := conductorTable()
	for i, row := range rows {
		nominal := row[0] * 1e-6
		if math.Abs(section/nominal-1) < 1e-6 {
			return row[column] * 1e-3, nil
		}
		if section < nominal {
			return 0, sectionError(section, rows[max(0, i-1):i+1])
		}
	}
	return 0, sectionError(section, rows[len(rows)-1:])
}

func sectionError(section float64, near [][]float64) error {
	e := &SizeError{Size: fmt.Sprintf("%g mm²", section*1e6)}
	for _, row := range near {
		e.Nearest = append(e.Nearest, fmt.Sprintf("%g mm²", row[0]))
	}
	return e
}

// AWGSection returns the section (m²) of a solid round wire of an American wire gauge,
// 0 for 1/0, −1 for 2/0 and so on to −3 for 4/0: d = 0.127 mm · 92^((36−n)/39),
// ASTM B258.
func AWGSection(gauge int) float64 {
	d := 0.127e-3 * math.Pow(92, float64(36-gauge)/39)
	return math.Pi / 4 * d * d
}
