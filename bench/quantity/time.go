package quantity

import "fmt"

// FormatTime returns an instant of a run, or how long something lasts, s, in the unit that suits it: "14 s", "28 min".
func FormatTime(s float64) string {
	switch {
	case s < 0.0005:
		return "0 s"
	case s < 0.0995:
		return fmt.Sprintf("%.0f ms", 1000*s)
	case s < 9.95:
		return fmt.Sprintf("%.1f s", s)
	case s < 119.5:
		return fmt.Sprintf("%.0f s", s)
	case s < 9.95*60:
		return fmt.Sprintf("%.1f min", s/60)
	case s < 99.5*60:
		return fmt.Sprintf("%.0f min", s/60)
	}
	return fmt.Sprintf("%.1f h", s/3600)
}
