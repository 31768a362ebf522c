package link

import "context"

// Instrument is something that measures by itself and sends: a stream of named
// readings. One goroutine reads it.
type Instrument interface {
	// Channels says what each sample holds: the same at every call.
	Channels() []Channel

	// Next waits for the next sample. Something unreadable on the line is an
	// error for that one call, and the stream goes on; [ErrStale] says that
	// nothing came for too long, an ended context and a lost line say so.
	Next(ctx context.Context) (Sample, error)

	// Close makes every further call [ErrClosed]. It leaves the port open. A
	// second Close does nothing.
	Close() error
}
