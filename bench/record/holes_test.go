package record

import (
	"bytes"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// every is n instants so far apart from a first one.
func every(first, apart float64, n int) (at []float64) {
	for i := range n {
		at = append(at, first+apart*float64(i))
	}
	return at
}

func TestHoles(t *testing.T) {
	for _, c := range []struct {
		name string
		at   []float64
		want []Span
	}{
		{"a logger", every(0, 1, 1800), nil},
		{"a logger that stops for a minute", append(every(0, 1, 100), every(159, 1, 100)...), nil},
		{"a logger that stops for longer", append(every(0, 1, 100), every(160, 1, 100)...), []Span{{99, 160}}},
		{"a person every two minutes", every(0, 120, 15), nil},
		{"a person who leaves out four rows", append(every(0, 120, 8), every(1440, 120, 8)...), nil},
		{"a person who leaves out five", append(every(0, 120, 8), every(1560, 120, 8)...), []Span{{840, 1560}}},
		{"somebody every quarter of an hour", every(0, 900, 8), nil},
		{"somebody every half an hour", every(0, 1800, 3), []Span{{0, 1800}, {1800, 3600}}},
		{"a few rows, a pause, a few rows", []float64{0, 60, 1740, 1800}, []Span{{60, 1740}}},
		{"two rows", []float64{0, 1700}, []Span{{0, 1700}}},
		{"one row", []float64{3}, nil},
		{"none", nil, nil},
	} {
		assert.Equal(t, c.want, Holes(c.at), c.name)
	}
}

// TestWhatIsNotKnownIsKept: gaps of an inferred trace with its band, the reason why a part is not judged, and the doubts come back from a file.
func TestWhatIsNotKnownIsKept(t *testing.T) {
	nan := math.NaN()
	r := &Run{
		Boat: "petrel", Trial: "readings", Time: []float64{0, 1, 2}, Doubts: []string{"nobody saw it", "it cannot be"},
		Traces: []Trace{{Name: "winding", Unit: "°C", Values: []float64{300, nan, 310}, Low: []float64{299, nan, 308}, High: []float64{301, nan, 312}, Inferred: true, Gaps: true}},
		Parts:  []Part{{Name: "winding", Trace: "winding", Unit: "°C", Limit: 428.15, Start: 298.15, Close: 0.9, Unsure: "not known from 1.0 s on"}},
	}
	var text bytes.Buffer
	require.NoError(t, Write(&text, r))
	back, err := Read("a.csv", bytes.NewReader(text.Bytes()))
	require.NoError(t, err)
	assert.Equal(t, r.Doubts, back.Doubts)
	assert.Equal(t, r.Parts[0].Unsure, back.Parts[0].Unsure)
	for _, pair := range [][2][]float64{{r.Traces[0].Values, back.Traces[0].Values}, {r.Traces[0].Low, back.Traces[0].Low}, {r.Traces[0].High, back.Traces[0].High}} {
		require.Len(t, pair[1], 3)
		assert.InDelta(t, pair[0][0], pair[1][0], 1e-9)
		assert.True(t, math.IsNaN(pair[1][1]))
		assert.InDelta(t, pair[0][2], pair[1][2], 1e-9)
	}
}

// TestOpened: a device opens when it acts, a fuse when a slow one does; what a trial expects opens nothing early.
func TestOpened(t *testing.T) {
	management := Event{At: 14, Device: "management", Kind: Protecting}
	mayOpen := Event{At: 100, Device: "fuse", Kind: Protecting, Latest: math.Inf(1)}
	opens := Event{At: 100, Device: "fuse", Kind: Protecting, Latest: 400}
	for _, c := range []struct {
		events []Event
		expect []string
		at     float64
		device string
		cut    bool
	}{
		{nil, nil, 0, "", false},
		{[]Event{management}, nil, 14, "management", true},
		{[]Event{management}, []string{"management"}, 0, "", false},
		{[]Event{mayOpen}, nil, 0, "", false},
		{[]Event{opens}, nil, 400, "fuse", true},
		{[]Event{opens, management}, nil, 14, "management", true},
		{[]Event{{At: 14, Device: "stall timer", Kind: Stopping}}, nil, 0, "", false},
		{[]Event{{At: 1800, Device: "management", Kind: Protecting}}, nil, 0, "", false},
	} {
		r := &Run{Time: []float64{0, 900, 1800}, Events: c.events, Expect: c.expect}
		at, device, cut := r.Opened()
		require.Equal(t, c.cut, cut, "%+v", c)
		if cut {
			assert.InDelta(t, c.at, at, 0, "%+v", c)
			assert.Equal(t, c.device, device)
		}
	}
}
