package port

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.bug.st/serial"
	"pgregory.net/rapid"
)

func TestParseAddress(t *testing.T) {
	for text, want := range map[string]Address{
		"/dev/ttyUSB0@115200":     {"/dev/ttyUSB0", 115200, 8, None, 1},
		"/dev/ttyUSB0@19200,8E1":  {"/dev/ttyUSB0", 19200, 8, Even, 1},
		"COM3@9600,7o2":           {"COM3", 9600, 7, Odd, 2},
		"/dev/by-id/a@b@1000000":  {"/dev/by-id/a@b", 1_000_000, 8, None, 1},
		"/dev/pci-0:1:2,x@50,5N1": {"/dev/pci-0:1:2,x", 50, 5, None, 1},
	} {
		got, err := ParseAddress(text)
		require.NoError(t, err, text)
		assert.Equal(t, want, got, text)
	}
}

func TestParseAddressSaysWhatIsWrong(t *testing.T) {
	for text, reason := range map[string]string{
		"/dev/ttyUSB0":            "baud rate is missing",
		"@9600":                   "name before @ is missing",
		"/dev/ttyUSB0@":           "not a whole number",
		"/dev/ttyUSB0@fast":       "not a whole number",
		"/dev/ttyUSB0@49":         "from 50 to 4000000",
		"/dev/ttyUSB0@9600,":      "not data bits, parity and stop bits",
		"/dev/ttyUSB0@9600,9N1":   "data bits are 5 to 8",
		"/dev/ttyUSB0@9600,8X1":   "parity is N, O or E",
		"/dev/ttyUSB0@9600,8N3":   "stop bits are 1 or 2",
		"/dev/ttyUSB0@9600,8N1.5": "not data bits, parity and stop bits",
		"/dev/ttyUSB0@9600,8ı1":   "not data bits, parity and stop bits",
	} {
		_, err := ParseAddress(text)
		var wrong *AddressError
		require.ErrorAs(t, err, &wrong, text)
		assert.Contains(t, err.Error(), reason, text)
		assert.Contains(t, err.Error(), "write it as", text)
	}
}

func TestAddressTextReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Address{
			Name:     rapid.StringMatching(`/dev/[a-zA-Z0-9@:,._-]{1,20}`).Draw(t, "name"),
			Baud:     rapid.IntRange(minBaud, maxBaud).Draw(t, "baud"),
			DataBits: rapid.IntRange(5, 8).Draw(t, "data bits"),
			Parity:   rapid.SampledFrom([]Parity{None, Odd, Even}).Draw(t, "parity"),
			StopBits: rapid.IntRange(1, 2).Draw(t, "stop bits"),
		}
		back, err := ParseAddress(a.String())
		require.NoError(t, err)
		require.Equal(t, a, back)
	})
}

func TestModeAsksForNoModemLines(t *testing.T) {
	mode := Address{"x", 9600, 7, Even, 2}.mode()
	assert.Equal(t, &serial.Mode{BaudRate: 9600, DataBits: 7, Parity: serial.EvenParity, StopBits: serial.TwoStopBits}, mode)
}

func FuzzParseAddress(f *testing.F) {
	f.Add("/dev/ttyUSB0@115200,8N1")
	f.Add("@,@")
	f.Fuzz(func(t *testing.T, text string) {
		a, err := ParseAddress(text)
		if err != nil {
			return
		}
		back, err := ParseAddress(a.String())
		require.NoError(t, err)
		require.Equal(t, a, back)
	})
}
