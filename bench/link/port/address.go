package port

import (
	"fmt"
	"strconv"
	"strings"

	"go.bug.st/serial"
)

// Address says which port to open and how its characters look.
type Address struct {
	Name     string // the system's name: /dev/ttyUSB0, COM3
	Baud     int    // bits per second
	DataBits int    // 5 to 8
	Parity   Parity
	StopBits int // 1 or 2
}

// Parity is the check bit of a character.
type Parity byte

// The parities of a serial character, by their usual letters.
const (
	None Parity = 'N'
	Odd  Parity = 'O'
	Even Parity = 'E'
)

// Character formats: 8N1 is what adapters and home-built loggers use (common
// practice, no source).
const defaultCharacter = "8N1"

// The rates a line may be asked for. The lowest is the lowest any system here
// knows; the highest leaves room above the 1 Mbaud of a fast logger.
const (
	minBaud = 50
	maxBaud = 4_000_000
)

// AddressError reports what in the text of an address can't be read.
type AddressError struct {
	Text   string
	Reason string
}

func (e *AddressError) Error() string {
	return fmt.Sprintf("port %q: %s; write it as /dev/ttyUSB0@115200 or /dev/ttyUSB0@19200,8E1", e.Text, e.Reason)
}

// ParseAddress reads NAME@BAUD or NAME@BAUD,CHARACTER, where CHARACTER is data
// bits, parity letter and stop bits such as 8E1. The baud rate is never
// guessed; without CHARACTER it is 8N1. The error is an [*AddressError].
func ParseAddress(text string) (Address, error) {
	fail := func(format string, args ...any) (Address, error) {
		return Address{}, &AddressError{Text: text, Reason: fmt.Sprintf(format, args...)}
	}
	at := strings.LastIndexByte(text, '@') // a name may hold an @, a rate can't
	if at < 0 {
		return fail("the baud rate is missing")
	}
	name, rest := text[:at], text[at+1:]
	if strings.TrimSpace(name) == "" {
		return fail("the name before @ is missing")
	}
	rate, character, given := strings.Cut(rest, ",")
	if !given {
		character = defaultCharacter
	}
	baud, err := strconv.Atoi(rate)
	if err != nil || baud < minBaud || baud > maxBaud {
		return fail("baud rate %q is not a whole number from %d to %d", rate, minBaud, maxBaud)
	}
	if len(character) != 3 {
		return fail("%q is not data bits, parity and stop bits", character)
	}
	a := Address{
		Name: name, Baud: baud,
		DataBits: int(character[0] - '0'),
		Parity:   Parity(strings.ToUpper(character)[1]),
		StopBits: int(character[2] - '0'),
	}
	if character[0] < '5' || character[0] > '8' {
		return fail("%q: data bits are 5 to 8", character)
	}
	if a.Parity != None && a.Parity != Odd && a.Parity != Even {
		return fail("%q: parity is N, O or E", character)
	}
	if a.StopBits != 1 && a.StopBits != 2 {
		return fail("%q: stop bits are 1 or 2", character)
	}
	return a, nil
}

// String returns the text that ParseAddress reads back to the same address.
func (a Address) String() string {
	return fmt.Sprintf("%s@%d,%d%c%d", a.Name, a.Baud, a.DataBits, a.Parity, a.StopBits)
}

func (a Address) mode() *serial.Mode {
	mode := &serial.Mode{BaudRate: a.Baud, DataBits: a.DataBits}
	switch a.Parity {
	case Odd:
		mode.Parity = serial.OddParity
	case Even:
		mode.Parity = serial.EvenParity
	}
	if a.StopBits == 2 {
		mode.StopBits = serial.TwoStopBits
	}
	// InitialStatusBits stays nil: a pseudo-terminal has no modem lines and
	// refuses to be opened with any.
	return mode
}
