package hydro

// bisect returns where f changes sign between low and high. f(low) and f(high) are
// taken to differ in sign; if they do not, the end nearer zero's side is approached.
func bisect(f func(float64) float64, low, high float64) float64 {
	rising := f(high) > 0
	for range 100 {
		mid := low + (high-low)/2
		if mid == low || mid == high {
			break
		}
		if (f(mid) > 0) == rising {
			high = mid
		} else {
			low = mid
		}
	}
	return low + (high-low)/2
}
