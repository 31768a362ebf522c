package holder

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"

	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/trial"
)

// Ask is what a script asks for: a programme, on a boat with settings that the holder compares with its own.
type Ask struct {
	ID        int               `json:"id"`
	Boat      string            `json:"boat"`     // hash of the boat file
	Settings  map[string]string `json:"settings"` // by key, with units
	Programme string            `json:"programme"`
	Rate      float64           `json:"rate"` // samples per second; 0: the holder's choice

	Trial *trial.Trial `json:"-"` // Programme, read
}

// Answer is what came of it.
type Answer struct {
	Record    *record.Run // completed
	Predicted *record.Run // with its band
	Stop      measure.Stop
}

// message is a line from a script's process: one of these.
type message struct {
	Ask  *Ask    `json:"ask,omitempty"`
	Beat int     `json:"beat,omitempty"`
	Stop int     `json:"stop,omitempty"`
	Say  *string `json:"say,omitempty"`
	Page *Page   `json:"page,omitempty"`
}

// Page is a piece of a paper that a script hands over; the holder knows where it goes.
type Page struct {
	Paper   string `json:"paper"` // "report" or "plot"
	Content []byte `json:"content"`
	Last    bool   `json:"last"`
}

// reply is a line from the holder.
type reply struct {
	ID        int    `json:"id"`
	Refused   string `json:"refused,omitempty"`
	Record    string `json:"record,omitempty"`
	Predicted string `json:"predicted,omitempty"`
	Stop      *end   `json:"stop,omitempty"`
}

// end is how a programme ended.
type end struct {
	Reason int     `json:"reason"`
	At     float64 `json:"at_s"`
	Text   string  `json:"text"`
	Zero   bool    `json:"zero"`
	Error  string  `json:"error,omitempty"`

	Unusual string `json:"unusual,omitempty"`
}

// Limits of what is read: far above what is needed, far below what would fill a memory.
const (
	maxAsk   = 1 << 20   // bytes of a line from a script
	maxReply = 256 << 20 // bytes of a line from the holder: a record
)

// parse reads a line of a script's process. It takes one message with nothing else in it.
func parse(line []byte) (m message, err error) {
	d := json.NewDecoder(bytes.NewReader(line))
	d.DisallowUnknownFields()
	if err := d.Decode(&m); err != nil {
		return m, fmt.Errorf("no message: %w", err)
	}
	if d.More() {
		return m, errors.New("more than one message in a line")
	}
	n := 0
	for _, is := range []bool{m.Ask != nil, m.Beat != 0, m.Stop != 0, m.Say != nil, m.Page != nil} {
		if is {
			n++
		}
	}
	if n != 1 {
		return m, errors.New("a message is one of ask, beat, stop, say and page")
	}
	return m, nil
}

// write writes one message.
func write(w io.Writer, m any) error {
	line, err := json.Marshal(m)
	if err != nil {
		return err
	}
	_, err = w.Write(append(line, '\n'))
	return err
}

// pack encodes an answer as a reply.
func pack(id int, a *Answer) (r reply, err error) {
	r = reply{ID: id, Stop: &end{int(a.Stop.Reason), a.Stop.At, a.Stop.Text, a.Stop.Zero, "", a.Stop.Unusual}}
	if a.Stop.Err != nil {
		r.Stop.Error = a.Stop.Err.Error()
	}
	for _, part := range []struct {
		run *record.Run
		to  *string
	}{{a.Record, &r.Record}, {a.Predicted, &r.Predicted}} {
		if part.run == nil {
			continue
		}
		var text bytes.Buffer
		if err := record.Write(&text, part.run); err != nil {
			return r, err
		}
		*part.to = text.String()
	}
	return r, nil
}

// unpack decodes a reply.
func unpack(r *reply) (a *Answer, err error) {
	if r.Refused != "" {
		return nil, &RefusedError{r.Refused}
	}
	if r.Stop == nil {
		return nil, errors.New("the holder's answer does not say how the programme ended")
	}
	a = &Answer{Stop: measure.Stop{Reason: measure.Reason(r.Stop.Reason), At: r.Stop.At, Text: r.Stop.Text, Zero: r.Stop.Zero, Unusual: r.Stop.Unusual}}
	if r.Stop.Error != "" {
		a.Stop.Err = errors.New(r.Stop.Error)
	}
	for _, part := range []struct {
		text string
		to   **record.Run
	}{{r.Record, &a.Record}, {r.Predicted, &a.Predicted}} {
		if part.text == "" {
			continue
		}
		if *part.to, err = record.Read("the holder's answer", bytes.NewReader([]byte(part.text))); err != nil {
			return nil, err
		}
	}
	return a, nil
}

// RefusedError is a programme that the holder did not run, or could not finish.
type RefusedError struct{ Why string }

func (e *RefusedError) Error() string { return "refused: " + e.Why }
