package drive

import "quaybench/bench/thermal"

type shimClass struct{ Fastest, Slowest thermal.FuseModel }

func shimClassOf(name string, rating float64) (shimClass, error) {
	c := thermal.FuseCurve{Rating: rating, LeastMelting: 1.25 * rating, Points: []thermal.CurvePoint{{Current: 2.9 * rating, Time: 10}, {Current: 8.5 * rating, Time: .1}}, Allowed: 0.3}
	f, err := thermal.FitFuse(c)
	if err != nil {
		return shimClass{}, err
	}
	return shimClass{f, f}, nil
}
func shimOhms(class int, section float64) (float64, error) { return 1 / 58e6 / section * 1.1, nil }
