package guard

import (
	"context"
	"fmt"

	"quaybench/bench/link"
)

// Place is where in a unit a value is: a register, an object. Only its own store looks inside.
type Place fmt.Stringer

// Store is a unit at the end of a line, as places that hold raw values. One operation talks to it at a time.
type Store interface {
	// Read reads places, in as few requests as it can, and hands over each one's raw value.
	Read(ctx context.Context, places []Place, got func(i int, raw uint64)) error

	// Write writes a raw value, and has it confirmed. still, where it is not nil, is asked just before it goes out: its error calls
	// the write off.
	Write(ctx context.Context, p Place, raw uint64, still func() error) error

	// Measure reads places that are measured: it may hand over what the unit sent by itself, where that is fresh. Each value has
	// its origin.
	Measure(ctx context.Context, places []Place, got func(i int, raw uint64, from link.Origin)) error

	// Told returns what the unit or its line told by itself since it was last asked, as [link.Sample] has it.
	Told() []string

	// MakeReady brings the unit to where it takes throttle commands, at zero; see [link.Controller].
	MakeReady(ctx context.Context) error

	// LetGo is the last word of a halt, after zero was written to the places: failed is what came of that. It makes sure that
	// they hold it, by other means where they do not, and takes back what MakeReady did. It goes ahead whatever the unit told.
	LetGo(ctx context.Context, zero []Step, failed error) error

	// Refusal reports whether an error is the unit's own refusal of a place, not the line's, and adds what helps to find why.
	Refusal(err error, p Place) (explained error, refused bool)
}
