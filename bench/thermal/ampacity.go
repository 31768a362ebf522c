package thermal

import (
	"fmt"
	"math"
	"sync"
)

// Gauges lists the American wire gauges of 33 CFR 183.425 table 5, the thinnest first; as in AWGSection 0 is 1/0 and −3 is 4/0.
func Gauges() (out []int) {
	for _, row := range allowable().rows {
		out = append(out, row.gauge)
	}
	return out
}

// GaugeName returns a gauge in words: "2 AWG", "4/0 AWG".
func GaugeName(gauge int) string {
	if gauge > 0 {
		return fmt.Sprintf("%d AWG", gauge)
	}
	return fmt.Sprintf("%d/0 AWG", 1-gauge)
}

// AllowableAmperage returns what a conductor may carry outside the engine space, A, by its gauge (as in AWGSection) and the temperature
// of its insulation (K): 33 CFR 183.425 table 5. Between two columns the cooler one holds; ok is false for a gauge that is not in
// the table or insulation below 60 °C.
func AllowableAmperage(gauge int, insulation float64) (amps float64, ok bool) {
	t := allowable()
	column := t.column(insulation)
	for _, row := range t.rows {
		if row.gauge == gauge && column >= 0 {
			return row.amps[column], true
		}
	}
	return 0, false
}

// AmpacityRatio returns by what factor the ampacity of a conductor changes with its section (both m²), insulation at a temperature (K):
// the smaller of the ratios in two published tables, 33 CFR 183.425 table 5 and IEC 60204-1 table 6 (1.5 to 120 mm²), which differ by up
// to 7 % from one section to the next. Sections between a table's rows lie on straight lines of the logarithms, beyond the ends of the
// first along its last. So a ratio and that of the way back need not make one: each errs on the safe side.
func AmpacityRatio(from, to, insulation float64) float64 {
	t := allowable()
	sections, amps := t.listed(max(0, t.column(insulation)))
	ratio := func(from, to float64) float64 {
		return math.Exp(onLogs(sections, amps, to) - onLogs(sections, amps, from))
	}
	within := func(x float64) float64 {
		return min(max(x, methodE.sections[0]), methodE.sections[len(methodE.sections)-1])
	}
	a, b := within(from), within(to)
	other := math.Exp(onLogs(methodE.sections, methodE.amps, b)-onLogs(methodE.sections, methodE.amps, a)) * ratio(from, a) * ratio(b, to)
	return min(ratio(from, to), other)
}

// onLogs interpolates the logarithm of y at x on straight lines of the logarithms.
func onLogs(xs, ys []float64, x float64) float64 {
	i := 1
	for i < len(xs)-1 && x > xs[i] {
		i++
	}
	w := math.Log(x/xs[i-1]) / math.Log(xs[i]/xs[i-1])
	return (1-w)*math.Log(ys[i-1]) + w*math.Log(ys[i])
}

// methodE is IEC 60204-1 table 6, method E (free in air): PVC, 70 °C, in air of 40 °C; as a drive maker's manual prints it.
var methodE = struct{ sections, amps []float64 }{
	[]float64{1.5e-6, 2.5e-6, 4e-6, 6e-6, 10e-6, 16e-6, 25e-6, 35e-6, 50e-6, 70e-6, 95e-6, 120e-6},
	[]float64{16.1, 22, 30, 37, 52, 70, 88, 110, 133, 171, 207, 240},
}

// amperages is 33 CFR 183.425 table 5.
type amperages struct {
	celsius []float64 // of the columns
	rows    []amperageRow
}

type amperageRow struct {
	gauge   int
	section float64 // m²
	amps    []float64
}

// column returns the column for insulation of a temperature (K); −1 below the first.
func (t *amperages) column(insulation float64) int {
	at := -1
	for i, c := range t.celsius {
		if insulation >= c+zeroCelsius-1e-6 {
			at = i
		}
	}
	return at
}

// listed returns the sections of the table (m²) and what a column allows them, A.
func (t *amperages) listed(column int) (sections, amps []float64) {
	for _, row := range t.rows {
		sections, amps = append(sections, row.section), append(amps, row.amps[column])
	}
	return sections, amps
}

var allowable = sync.OnceValue(func() *amperages {
	const name = "cfr183_table5.csv"
	t := &amperages{celsius: []float64{60, 75, 80, 90, 105, 125, 200}}
	for _, row := range table(name)[1:] {
		gauge := int(number(name, row[0]))
		if len(row[0]) > 1 && row[0][0] == '0' || row[0] == "0" { // "000" is 3/0
			gauge = 1 - len(row[0])
		}
		r := amperageRow{gauge: gauge, section: AWGSection(gauge)}
		for _, cell := range row[1:] {
			r.amps = append(r.amps, number(name, cell))
		}
		t.rows = append(t.rows, r)
	}
	return t
})

// Sections lists the nominal sections of IEC 60228 (m²), the thinnest first.
func Sections() (out []float64) {
	for _, row := range conductorTable() {
		out = append(out, row[0]*1e-6)
	}
	return out
}

// ListedAmperage returns what 33 CFR 183.425 table 5 allows a section (m²) in its column for 90 °C, sections between its gauges on straight
// lines of the logarithms, carried over to insulation and air of other temperatures (K): at the rated temperature the loss, which goes
// with the square of the current and with the resistance there, is as the rise. The table's other columns lie within 10 % of that from
// 6 AWG on.
func ListedAmperage(section, insulation, air float64) float64 {
	const listed, at = 90 + zeroCelsius, 30 + zeroCelsius
	t := allowable()
	sections, amps := t.listed(t.column(listed))
	return math.Exp(onLogs(sections, amps, section)) * math.Sqrt(max(0, insulation-air)/(listed-at)*Copper().Ratio(listed)/Copper().Ratio(insulation))
}
