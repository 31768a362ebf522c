//go:build slow

package nmea_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// second is another parser of the same sentences: python3-nmea2 of Debian (pynmea2).
const second = `
import json, sys, pynmea2
for line in sys.stdin:
    line = line.strip()
    try:
        m = pynmea2.parse(line, check=True)
        out = {"kind": m.sentence_type}
        for name, field in {"rmc": "spd_over_grnd", "vtg": "spd_over_grnd_kts", "vhw": "water_speed_knots"}.items():
            if m.sentence_type == name.upper():
                v = getattr(m, field)
                out["knots"] = None if v in (None, "") else float(v)
        if m.sentence_type == "RMC": out["status"] = m.status
    except Exception as e:
        out = {"error": str(e)}
    print(json.dumps(out))
`

// TestSecondParser: where this reader gives a speed, pynmea2 has the same in knots; what pynmea2 refuses is refused here too. This
// one refuses more: that other parser looks at no form, unit letter or mode.
func TestSecondParser(t *testing.T) {
	if err := exec.Command("/usr/bin/python3", "-c", "import pynmea2").Run(); err != nil {
		t.Skip("pynmea2 is not here (apt-get install python3-nmea2): nothing to compare with")
	}
	var lines []string
	for _, r := range published(t) {
		lines = append(lines, r[3])
	}
	for i := range 200 {
		knots := float64(i*i) / 400
		lines = append(lines,
			sealed(fmt.Sprintf("GNRMC,102030.00,A,5230.00000,N,01320.00000,E,%.2f,123.4,050624,,,A", knots)),
			sealed(fmt.Sprintf("GPVTG,123.4,T,,M,%.2f,N,%.2f,K,D", knots, 1.852*knots)),
			sealed(fmt.Sprintf("VWVHW,,T,45.0,M,%.1f,N,%.1f,K", knots, 1.852*knots)),
			strings.Replace(sealed(fmt.Sprintf("VWVHW,,T,45.0,M,%.1f,N,%.1f,K", knots, 1.852*knots)), "45.0", "46.0", 1))
	}
	cmd := exec.Command("/usr/bin/python3", "-c", second)
	cmd.Stdin = strings.NewReader(strings.Join(lines, "\n") + "\n")
	out, err := cmd.Output()
	require.NoError(t, err)
	answers := strings.Split(strings.TrimSpace(string(out)), "\n")
	require.Len(t, answers, len(lines))
	same, refused := 0, 0
	for i, text := range answers {
		var theirs struct {
			Kind, Error, Status string
			Knots               *float64
		}
		require.NoError(t, json.Unmarshal([]byte(text), &theirs))
		got, ok, err := read(lines[i])
		switch {
		case theirs.Error != "":
			assert.Error(t, err, "%s: %s", lines[i], theirs.Error)
			refused++
		case ok && err == nil && !math.IsNaN(got.Value):
			if assert.NotNil(t, theirs.Knots, lines[i]) {
				assert.InDelta(t, *theirs.Knots*1852/3600, got.Value, 1e-9, lines[i])
				same++
			}
		}
	}
	assert.Greater(t, same, 600)
	assert.Greater(t, refused, 190)
}
