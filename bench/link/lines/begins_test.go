package lines_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
)

const sentences = `
title = "log (invented)"
delimiter = ","
checksum = "none"
BEGINS
[[column]]
ignore = true
[[column]]
name = "boat_speed"
unit = "kn"
scale = "1 kn"
max = "60 kn"
[[column]]
ignore = true
`

// Lines are chosen by how they begin: a sentence of another kind with as many columns is not taken for a reading.
func TestLinesAreChosenByTheirBeginning(t *testing.T) {
	read := func(begins, text string) (values []float64, bad []error, stats lines.Stats) {
		f, err := lines.Load("log.toml", []byte(strings.Replace(sentences, "BEGINS", begins, 1)))
		require.NoError(t, err)
		p := lines.NewParser(f)
		p.Feed([]byte("\n"+text), time.Unix(0, 0), func(s link.Sample, err error) {
			if errors.Is(err, lines.ErrHalf) {
				return // what came before the first line end
			}
			if err != nil {
				bad = append(bad, err)
				return
			}
			values = append(values, s.Values[0])
		})
		return values, bad, p.Stats()
	}
	text := "$IIVHW,5.0,N\n$IIHDT,42.0,T\n$IIVHWX,42.0,N\n"
	values, bad, stats := read(`begins = "$IIVHW"`, text)
	assert.Len(t, values, 1)
	assert.InDelta(t, 5*1852.0/3600, values[0], 1e-9)
	assert.Empty(t, bad)
	assert.Equal(t, int64(2), stats.Others)

	values, bad, stats = read("", text)
	assert.Empty(t, values, "nobody says which kind is meant")
	require.Len(t, bad, 3)
	assert.ErrorIs(t, bad[0], lines.ErrBegins)
	assert.Equal(t, int64(4), stats.Bad(), "and the half line at the start")
}
