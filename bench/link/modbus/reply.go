package modbus

import (
	"bytes"
	"errors"
	"fmt"

	"quaybench/bench/link"
)

// What can be wrong with a reply. Each comes inside a [*ReplyError].
var (
	ErrNoReply       = errors.New("no reply: check power, wiring, baud rate and unit id, and whether it needs longer than its register map allows (turnaround)")
	ErrHalfFrame     = errors.New("the reply stops half way")
	ErrNoise         = errors.New("bytes that are no reply: check earth, termination and baud rate")
	ErrCRC           = errors.New("the reply has a bad check sum")
	ErrWrongUnit     = errors.New("another unit replied")
	ErrWrongFunction = errors.New("the reply is to another request")
	ErrDuplicate     = errors.New("the reply came more than once")
	ErrLength        = errors.New("the reply holds another count than was asked for")
	ErrOutOfStep     = link.ErrOutOfStep
	ErrEcho          = errors.New("the unit confirms something else than was written")
)

// ReplyError is a reply that can't be believed. Nothing of it was used; whether
// a write took effect is unknown.
type ReplyError struct {
	Unit     byte     // who was asked
	Function Function // what was asked
	Raw      []byte   // what came
	Err      error    // one of the errors above
}

func (e *ReplyError) Error() string {
	text := fmt.Sprintf("unit %d, %v: %v", e.Unit, e.Function, e.Err)
	if len(e.Raw) == 0 {
		return text
	}
	const shown = 24
	if len(e.Raw) > shown {
		return fmt.Sprintf("%s (got % x and %d more bytes)", text, e.Raw[:shown], len(e.Raw)-shown)
	}
	return fmt.Sprintf("%s (got % x)", text, e.Raw)
}

// Unwrap returns the kind.
func (e *ReplyError) Unwrap() error { return e.Err }

func wrongReply(asked Frame, raw []byte, kind error) error {
	return &ReplyError{Unit: asked.Unit, Function: asked.Function, Raw: bytes.Clone(raw), Err: kind}
}

// judgeReply finds the reply to asked in raw, or says what raw is instead.
// length is how long the reply is if the unit does as asked.
func judgeReply(asked Frame, length int, raw []byte) (Frame, error) {
	if len(raw) == 0 {
		return Frame{}, ErrNoReply
	}
	reply, err := ParseFrame(raw)
	if err != nil {
		return Frame{}, judgeWreck(asked, length, raw)
	}
	switch {
	case reply.Unit != asked.Unit:
		return Frame{}, ErrWrongUnit
	case reply.Function&^exceptionFlag != asked.Function:
		return Frame{}, ErrWrongFunction
	case len(raw) != replyLength(length, raw):
		if whole := replyLength(length, raw); len(raw) > whole && sumsUp(raw[:whole]) {
			return Frame{}, ErrNoise // this check sum is blind to a zero byte behind it
		}
		return Frame{}, ErrLength
	case replyLooksRefused(raw):
		return Frame{}, &Exception{Unit: asked.Unit, Function: asked.Function, Code: Code(reply.Data[0])}
	}
	return reply, nil
}

const exceptionLength = minFrame + 1

// judgeWreck returns what bytes are that do not make one whole frame.
func judgeWreck(asked Frame, length int, raw []byte) error {
	length = replyLength(length, raw)
	if len(raw) > length && sumsUp(raw[:length]) {
		whole, rest := raw[:length], raw[length:]
		if bytes.HasPrefix(rest, whole) {
			return ErrDuplicate
		}
		return ErrNoise // after the reply
	}
	if len(raw) == length {
		return ErrCRC
	}
	startsRight := raw[0] == asked.Unit && (len(raw) == 1 || Function(raw[1])&^exceptionFlag == asked.Function)
	if startsRight && len(raw) < length {
		return ErrHalfFrame
	}
	return ErrNoise
}

// replyLength returns how long the reply that starts with raw will be.
func replyLength(length int, raw []byte) int {
	if replyLooksRefused(raw) {
		return exceptionLength
	}
	return length
}

func replyLooksRefused(raw []byte) bool {
	return len(raw) > 1 && Function(raw[1])&exceptionFlag != 0
}
