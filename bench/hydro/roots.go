package hydro

// bisect returns where the monotone f passes zero between low and high, or the end that
// comes nearer to it.
func bisect(f func(float64) float64, low, high float64) float64 {
	rising := f(high) > f(low)
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
