package modbus

import (
	"fmt"
	"time"
)

// Timing is how long silences last on a line.
type Timing struct {
	Character  time.Duration // one character of 11 bits
	Inside     time.Duration // t1.5: the longest silence inside a frame
	Between    time.Duration // t3.5: the shortest silence between frames
	HandOver   time.Duration // how late the operating system may hand bytes over
	Turnaround time.Duration // how long a slave may take before its reply begins
}

const (
	// bitsPerCharacter is 11 in every mode: start, 8 data, parity (or a second
	// stop bit), stop. Some libraries count 10 for 8N1; the longer silence is
	// safe with both.
	bitsPerCharacter = 11

	// Above this rate the silences no longer shrink, or timers and interrupts
	// could not keep up.
	fixedTimingAbove = 19200
	fixedInside      = 750 * time.Microsecond
	fixedBetween     = 1750 * time.Microsecond

	// defaultHandOver covers USB adapters, which gather bytes for up to 16 ms
	// (common practice, no source). A silence inside a frame as the program
	// sees it can therefore be much longer than on the wire.
	defaultHandOver = 20 * time.Millisecond

	// defaultTurnaround is for controllers that answer when their main loop
	// comes round (common practice, no source).
	defaultTurnaround = 200 * time.Millisecond
)

// TimingAt returns the timing for a rate in bit/s (MODBUS over Serial Line V1.02,
// section 2.5.1.1), with the usual allowances for adapters and slaves. It
// panics on a rate that is not positive.
func TimingAt(baud int) Timing {
	if baud <= 0 {
		panic(fmt.Sprintf("modbus: baud rate %d is not positive", baud))
	}
	t := Timing{
		Character:  time.Duration(bitsPerCharacter) * time.Second / time.Duration(baud),
		Inside:     fixedInside,
		Between:    fixedBetween,
		HandOver:   defaultHandOver,
		Turnaround: defaultTurnaround,
	}
	if baud <= fixedTimingAbove {
		t.Inside = 3 * t.Character / 2
		t.Between = 7 * t.Character / 2
	}
	return t
}

// pause returns the silence after which an unfinished frame is given up: t1.5 as it
// may look through the operating system.
func (t Timing) pause() time.Duration { return t.Inside + t.HandOver }
