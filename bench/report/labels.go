package report

import "sort"

// spaceLabels moves labels, wanted at these heights, apart so that they are at least gap from each other and between low and
// high where they fit, keeping their order. It returns the new heights in the order given.
func spaceLabels(wanted []float64, gap, low, high float64) []float64 {
	order := make([]int, len(wanted))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return wanted[order[a]] < wanted[order[b]] })
	// Labels that touch form a block, which sits at the mean of what its members want.
	type block struct {
		sum   float64 // of wanted less the place within the block
		count int
	}
	place := func(b block) float64 {
		at := b.sum / float64(b.count)
		return max(low, min(at, high-gap*float64(b.count-1)))
	}
	var blocks []block
	for _, i := range order {
		blocks = append(blocks, block{wanted[i], 1})
		for n := len(blocks); n > 1; n = len(blocks) {
			a, b := blocks[n-2], blocks[n-1]
			if place(a)+gap*float64(a.count) <= place(b) {
				break
			}
			blocks = append(blocks[:n-2], block{a.sum + b.sum - gap*float64(a.count*b.count), a.count + b.count})
		}
	}
	out := make([]float64, len(wanted))
	k := 0
	for _, b := range blocks {
		for j := range b.count {
			out[order[k]] = place(b) + gap*float64(j)
			k++
		}
	}
	return out
}
