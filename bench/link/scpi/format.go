package scpi

import (
	"fmt"
	"math"
	"regexp"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/lines"
	"quaybench/bench/link/port"
	"quaybench/bench/link/scaling"
)

// Format says what an instrument is asked. It does not change and is safe for several goroutines.
type Format struct {
	title         string
	identity      string
	remote        bool
	end           string
	within, every time.Duration
	stale         time.Duration
	queries       []query
	channels      []link.Channel
}

// query asks for one channel.
type query struct {
	ask   string
	field int // of the numbers in the answer, from 0; −1: there is only one
	scaling.Scaling
}

type file struct {
	Title        string      `key:"title" example:"bench supply (invented)" doc:"what the list is for"`
	Speaks       string      `key:"speaks" one:"SCPI" example:"SCPI" doc:"how it speaks"`
	Identity     string      `key:"identity" optional:"yes" example:"PS-60" doc:"what its answer to *IDN? must hold: another instrument is refused"`
	Remote       bool        `key:"remote" default:"false" doc:"send SYST:REM before the first query: some answer only then"`
	LineEnd      string      `key:"line_end" one:"LF|CR LF" default:"LF" doc:"what ends a query"`
	AnswerWithin float64     `key:"answer_within" unit:"s" min:"50 ms" max:"30 s" default:"1 s" doc:"no answer for so long is an error"`
	Every        float64     `key:"every" unit:"s" min:"0 s" max:"1 min" default:"200 ms" doc:"from the beginning of one round of queries to that of the next, at the least"`
	StaleAfter   float64     `key:"stale_after" unit:"s" min:"50 ms" max:"1 min" default:"2 s" doc:"no reading of a channel for so long is an error"`
	Delay        float64     `key:"delay" unit:"s" min:"0 s" max:"1 min" default:"0 s" doc:"how long after the fact its readings come; it is taken to be known to within itself"`
	Queries      []queryFile `key:"query" doc:"what is asked, in its order"`
}

type queryFile struct {
	Ask    string `key:"ask" example:"MEAS:VOLT?" doc:"the query"`
	Field  int    `key:"field" min:"0" max:"100" default:"0" doc:"which of several numbers in the answer, from 1; 0: it has one"`
	Name   string `key:"name" example:"voltage" doc:"name of the reading"`
	Unit   string `key:"unit" example:"V" doc:"unit to show values in"`
	Scale  string `key:"scale" example:"1 V" doc:"what 1 in the answer is"`
	Offset string `key:"offset" optional:"yes" example:"0 V" doc:"what 0 in the answer means"`
	Min    string `key:"min" optional:"yes" example:"0 V" doc:"lowest value that can be true"`
	Max    string `key:"max" optional:"yes" example:"100 V" doc:"highest value that can be true"`
	Error  string `key:"error" optional:"yes" example:"± 0.1 % ± 20 mV" doc:"error of the reading: a share, an offset, or both (default: the boat file's instruments)"`
}

var (
	queryForm = regexp.MustCompile(`^:?[A-Za-z][A-Za-z0-9]*(:[A-Za-z][A-Za-z0-9]*)*\?( [A-Za-z0-9@(),.:+ -]*)?$`)
	// acting are the subsystems whose queries do something: they calibrate, test, or take errors that the tool itself asks for.
	acting = regexp.MustCompile(`(?i)^:?(CAL|TEST|DIAG|SYST|INIT|OUTP|ABOR)`)
)

// Load reads the description of an instrument. name appears in messages only. The error is [datafile.Problems]: everything wrong
// with the file, with line and column.
func Load(name string, data []byte) (*Format, error) {
	var f file
	source, _ := datafile.Decode(name, data, &f)
	seconds := func(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }
	format := &Format{
		title: f.Title, identity: f.Identity, remote: f.Remote, end: map[bool]string{true: "\r\n", false: "\n"}[f.LineEnd == "CR LF"],
		within: seconds(f.AnswerWithin), every: seconds(f.Every), stale: seconds(f.StaleAfter),
	}
	seen := map[string]bool{}
	for i, q := range f.Queries {
		at := fmt.Sprintf("query[%d]", i)
		problem := func(key string) func(string, ...any) {
			return func(text string, args ...any) { source.Problem(at+"."+key, text, args...) }
		}
		if q.Ask != "" {
			checkQuery(q.Ask, problem("ask"))
		}
		if q.Name != "" {
			lines.CheckName(q.Name, seen, "", problem("name"))
		}
		if q.Unit == "" || q.Scale == "" {
			continue // already reported
		}
		s, ok := scaling.Read(scaling.Text{Unit: q.Unit, Scale: q.Scale, Offset: q.Offset, Min: q.Min, Max: q.Max},
			func(key, text string, args ...any) { source.Problem(at+"."+key, text, args...) })
		if !ok {
			continue
		}
		meter, err := scaling.ReadMeter(q.Error, s.Unit)
		if err != nil {
			source.Problem(at+".error", "%v", err)
		}
		format.queries = append(format.queries, query{q.Ask, q.Field - 1, s})
		format.channels = append(format.channels, link.Channel{Name: q.Name, Unit: s.Unit, Meter: meter, Delay: seconds(f.Delay)})
	}
	if err := source.Err(); err != nil {
		return nil, err
	}
	return format, nil
}

// checkQuery refuses whatever could do more than answer.
func checkQuery(ask string, problem func(string, ...any)) {
	switch {
	case strings.Contains(ask, ";"):
		problem("%q is more than one: write each query by itself", ask)
	case !strings.Contains(ask, "?"):
		problem("%q is no query, which ends in ?: nothing here sets an instrument", ask)
	case strings.HasPrefix(ask, "*"):
		problem("%q is none that measures (*IDN? is asked anyway; *TST? and *CAL? act)", ask)
	case !queryForm.MatchString(ask):
		problem("%q is no query as SCPI writes it, for example MEAS:VOLT? or FETC?", ask)
	case acting.MatchString(ask):
		problem("%q acts or switches by its subsystem: only what measures is asked here", ask)
	}
}

// Title returns what the list is for.
func (f *Format) Title() string { return f.title }

// StaleAfter returns how long no reading of a channel may come.
func (f *Format) StaleAfter() time.Duration { return f.stale }

// Channels returns the readings, one for each query.
func (f *Format) Channels() []link.Channel { return append([]link.Channel(nil), f.channels...) }

// Open returns the instrument at the end of a line, which stays the caller's.
func (f *Format) Open(p port.Port, clock port.Clock) link.Instrument {
	return NewInstrument(f, p, clock)
}
