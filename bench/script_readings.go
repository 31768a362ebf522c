package bench

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/learn"
	"quaybench/bench/quantity"
	"quaybench/bench/readings"
	"quaybench/bench/trial"
)

// FairReadings returns the trial of readings of which nothing else is known: the weather and the charge of a trial file that leaves them out.
func FairReadings() (*trial.Trial, error) {
	return trial.Read("readings", []byte("name = \"readings\"\nduration = \"1 h\"\n[[throttle]]\nat = \"0 s\"\nto = \"0 %\"\n"))
}

// Readings returns what another logger or a spreadsheet wrote, as a record of the boat in fair weather: the name of a CSV file that
// the command line names, as in s.Readings(s.Args[0]).
func (s *Script) Readings(name string) (*Logged, error) {
	text, err := s.file(name)
	if err != nil {
		return nil, err
	}
	u, err := readings.Read(name, text, nil, 0)
	if err != nil {
		return nil, err
	}
	if err := CheckLogged([]*readings.Understood{u}); err != nil {
		return nil, err
	}
	fair, err := FairReadings()
	if err != nil {
		return nil, err
	}
	return JudgeReadings(s.host.Context(), s.Setup, []*readings.Understood{u}, fair)
}

// Compare lays measurements over what the boat file predicts for the same lever and weather: a record of a step test, or readings as
// Readings takes them, in a file that the command line names.
func (s *Script) Compare(name string) (*ComparedRecord, error) {
	r, err := s.record(name)
	if err != nil {
		return nil, err
	}
	return CompareRecord(s.host.Context(), s.Setup, r)
}

func (s *Script) file(name string) ([]byte, error) {
	if s.host.File == nil {
		return nil, fmt.Errorf("no files here: name %q on the command line of `quaybench run` or `quaybench repl`", name)
	}
	return s.host.File(name)
}

// Summary returns a comparison in a few lines: where the measurement parts from the prediction, the causes that the record speaks for, and
// the caution.
func (c *ComparedRecord) Summary() string {
	var b strings.Builder
	for i := range c.Channels {
		o := &c.Channels[i]
		part := "agrees with the prediction"
		if Departs(o) {
			part = "parts from the prediction"
		}
		fmt.Fprintf(&b, "%s %s: %s off at %s, %.0f %% of the rows beyond what meters and tolerances explain\n", quantity.Spoken(o.Trace), part,
			Format(math.Abs(o.Largest), strings.Replace(o.Unit, "°C", "K", 1)), quantity.FormatAuto(o.At, "s"), 100*o.Outside)
	}
	var named []string
	for _, k := range c.Suspects {
		if k.Named() {
			named = append(named, strings.Join(append([]string{k.Cause}, k.Like...), " or "))
		}
	}
	if len(named) > 0 {
		fmt.Fprintf(&b, "the record speaks for: %s\n", strings.Join(named, "; "))
	}
	if c.Doubtful() {
		b.WriteString(learn.DoubtSentence(1, c.Doubt) + "\n")
	}
	for _, m := range c.Meters {
		b.WriteString(m + "\n")
	}
	b.WriteString(CautionLines() + "\n")
	return b.String()
}
