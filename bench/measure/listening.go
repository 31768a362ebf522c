package measure

import (
	"context"
	"errors"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
)

// listening is how often the line is read while a person is asked.
const listening = 500 * time.Millisecond

// Listening asks a person, and reads the line meanwhile: unread, the system's buffer fills up, and what comes after that is lost.
// What the controller tells by itself, and a line that is lost, ends the question at once, and is the error then; heard is told of the
// rest (link.Sample.Told). Only for a controller that has to be made ready, since others are not asked by anybody but the test.
func Listening(ctx context.Context, c link.Controller, clock port.Clock, heard func(told []string), ask func(context.Context) error) error {
	asking, end := context.WithCancelCause(ctx)
	read := make(chan struct{})
	go func() {
		defer close(read)
		for clock.Sleep(asking, listening) == nil {
			now, err := c.ReadTelemetry(asking)
			if len(now.Told) > 0 {
				heard(now.Told)
			}
			if asking.Err() == nil && (errors.As(err, new(*link.NewsError)) || errors.As(err, new(*port.LostError))) {
				end(err)
			}
		}
	}()
	err := ask(asking)
	told := context.Cause(asking)
	end(nil)
	<-read
	if told != nil && ctx.Err() == nil {
		return told
	}
	return err
}
