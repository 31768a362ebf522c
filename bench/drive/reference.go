package drive

// RatedAir is the air that the rise of every part is counted from, K: the 25 °C for which makers commonly state ratings
// (common practice, no source). It is not the air of the trial: a part as hot as before has used as much of its limit as
// before, whatever is around it.
const RatedAir = 298.15

// Reference returns the value from which the used share of the part's limit is counted, SI; p and y are those of the start.
func (part *Part) Reference(p *Point, y []float64) float64 {
	switch {
	case part.Start != nil:
		return part.Start(p, y)
	case part.Measure == Temperature:
		return RatedAir
	}
	return 0
}
