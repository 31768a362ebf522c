package learn

import (
	"math"

	"quaybench/bench/quantity"
)

const (
	// badMeter is the chance, all meters of all records counted, below which a meter errs more than it is said to.
	badMeter = 0.001
	// tolerated is how many times its stated error a meter may err and is not blamed (common practice, no source).
	tolerated = 1.2
	// straying is how many times its usual size a channel's slow error has where nothing explains it any more: a meter that hangs, a wrong unit, a thermometer beside its spot (common
	// practice, no source). In right campaigns it is 0.1 to 1 times.
	straying = 6.0
)

// badMeters returns in sentences which meters cannot have shown what they did, whatever the values of the boat: those that a fit takes to err by far more than they are said to,
// and those that stray from it for long, where strays allows to say so. A fit believes a meter as far as its stated error goes; beyond that its values bend to it. Where a cause is named
// that is in the boat, no meter is blamed for it.
func (p *problem) badMeters(f *fitted, suspects []Suspect, strays func(channel int) bool) (list []string) {
	if len(suspects) > 0 && suspects[0].Named() {
		return nil
	}
	channels, worst := 0, tolerated
	for _, r := range p.records {
		channels += len(r.channels)
	}
	erring := ""
	for k, r := range p.records {
		of := ""
		if len(p.records) > 1 {
			of = " in " + r.Name
		}
		for i, s := range f.sets[k] {
			at := r.first + 1 + 2*i // its offset, then its gain
			chance := survival(2, func(a, b int) float64 {
				v := -f.cov.At(at+a, at+b)
				if a == b {
					v++
				}
				return v
			}, f.x[at:at+2])
			switch most := math.Max(math.Abs(f.x[at]), math.Abs(f.x[at+1])) / two; {
			case chance < badMeter/float64(channels) && most > worst:
				worst = most // of several, what bends to one makes the others look wrong
				erring = quantity.Sentence("The readings of %s%s fit no boat that the file allows, unless their meter errs %.1f times as much as it is said to: hold it against another one, or say its error with --meter.", quantity.Spoken(s.name), of, most)
			case s.noise.slow > straying*s.slow && strays(i):
				list = append(list, quantity.Sentence("The readings of %s%s lie for minutes on end %.0f times as far from any boat that the file allows as is usual: look at the meter, at its unit, and at what it was held to.", quantity.Spoken(s.name), of, s.noise.slow/s.slow))
			}
		}
	}
	if erring != "" {
		list = append([]string{erring}, list...)
	}
	return list
}
