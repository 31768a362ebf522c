//go:build slow && unix

package scpi_test

import (
	"context"
	"encoding/json"
	"math"
	"os/exec"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
	"quaybench/bench/link/scpi"
)

// foreignClient is a SCPI client that nobody here wrote: pyvisa-py over a serial line (Debian python3-pyvisa-py).
const foreignClient = `
import json, sys, pyvisa
m = pyvisa.ResourceManager("@py").open_resource("ASRL" + sys.argv[1] + "::INSTR", baud_rate=9600, read_termination="\n", write_termination=sys.argv[2].encode().decode("unicode_escape"), timeout=2000)
out = {"idn": m.query("*IDN?"), "volts": float(m.query("MEASure:VOLTage:DC?")), "amps": float(m.query("meas:curr?")), "both": m.query("MEAS:VOLT?;MEAS:CURR?")}
m.timeout = 300
try:
    out["unknown"] = m.query("MEAS:PRES?")
except pyvisa.errors.VisaIOError as e:
    out["unknown"] = "time-out" if e.error_code == pyvisa.constants.StatusCode.error_timeout else str(e)
m.timeout = 2000
out["errors"] = [m.query("SYST:ERR?") for _ in range(2)]
out["hundred"] = len({m.query("MEAS:VOLT?") for _ in range(100)})
print(json.dumps(out))
`

// TestForeignClient: pyvisa-py reads the simulated meter over a pseudo-terminal: identity, readings, overload, silence and errors.
func TestForeignClient(t *testing.T) {
	if err := exec.Command("/usr/bin/python3", "-c", "import pyvisa_py, serial").Run(); err != nil {
		t.Skip("pyvisa-py is not here (apt-get install python3-pyvisa-py python3-serial): nothing to compare with")
	}
	for _, end := range []string{`\n`, `\r\n`} {
		near, far, err := port.Pseudo()
		if err != nil {
			t.Skip("no pseudo-terminal here: ", err)
		}
		s := &scpi.Server{Identity: "Yard,simulated meter (invented),0,1", Readings: map[string]func() float64{
			"MEASure[:SCALar]:VOLTage[:DC]?": func() float64 { return 51.234 },
			"MEASure[:SCALar]:CURRent[:DC]?": func() float64 { return math.Inf(1) },
		}}
		ctx, stop := context.WithTimeout(t.Context(), time.Minute)
		ended := make(chan error, 1)
		go func() { ended <- s.Serve(ctx, near) }()
		out, err := exec.CommandContext(ctx, "/usr/bin/python3", "-c", foreignClient, far, end).CombinedOutput()
		require.NoError(t, err, string(out))
		stop()
		<-ended
		_ = near.Close()
		var got struct {
			IDN, Both, Unknown string
			Volts, Amps        float64
			Errors             []string
			Hundred            int
		}
		require.NoError(t, json.Unmarshal(out, &got), string(out))
		assert.Equal(t, s.Identity, got.IDN)
		assert.InDelta(t, 51.234, got.Volts, 1e-9)
		assert.InDelta(t, 9.9e37, got.Amps, 1e30, "an overload, as the standard has it")
		assert.Equal(t, "+5.123400E+01;+9.900000E+37", got.Both)
		assert.Equal(t, "time-out", got.Unknown)
		assert.Equal(t, []string{`-113,"Undefined header"`, `0,"No error"`}, got.Errors)
		assert.Equal(t, 1, got.Hundred)
	}
}
