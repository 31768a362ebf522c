package readings

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/nmea"
	"quaybench/bench/record"
)

// Sentences is what stands in place of a delimiter where a file has none.
const Sentences = "sentences of NMEA 0183"

// isSentences reports whether a text is what a GPS or a log sent, kept as it came: sentences of NMEA 0183.
func isSentences(text string) bool {
	lines, right := 0, 0
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		if lines++; lines > 400 {
			break
		}
		if _, ok, _ := nmea.Split([]byte(line)); ok {
			right++
		}
	}
	return right > 0 && 2*right > lines
}

// readSentences reads the speeds of kept sentences. Their time is that of the newest sentence that tells one (RMC, ZDA, GGA, GLL),
// in UTC.
func (p *parser) readSentences(text string) error {
	p.Delimiter, p.Decimal, p.Clock = Sentences, "point", clockOfSentences
	var reader nmea.Reader
	channels := []string{link.SpeedOverGround, link.BoatSpeed}
	found, none := map[string][]string{}, 0 // kinds of each channel
	var rows []sample
	var now, last, wrap time.Duration
	timed := false
	var day time.Time // on which the first sentence was sent
	line := 0
	for text := range strings.Lines(text) {
		line++
		leave := func(format string, args ...any) {
			p.LeftOut = append(p.LeftOut, Row{line, fmt.Sprintf(format, args...)})
		}
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		s, ok, err := nmea.Split([]byte(text))
		if err != nil {
			leave("%v", err)
			continue
		}
		if !ok {
			if text[0] != '!' && !strings.Contains(text, "$P") { // AIS and makers' own are none of ours
				leave("it is no sentence of NMEA 0183")
			}
			continue
		}
		if of, date, ok := nmea.Clock(s); ok {
			switch back := of + wrap - last; {
			case timed && back < -12*time.Hour:
				wrap += 24 * time.Hour
			case timed && back < 0:
				leave("its time, %v, is before that of the sentence before it", of)
				continue
			}
			if now = of + wrap; day.IsZero() && !date.IsZero() {
				day = date.Add(-wrap)
			}
			last, timed = now, true
		}
		speed, ok, err := reader.Read(s)
		switch {
		case err != nil:
			leave("%v", err)
			continue
		case !ok:
			continue
		case math.IsNaN(speed.Value):
			none++
			continue
		case speed.Value > nmea.FastestBoat:
			leave("%.0f m/s is faster than any boat here", speed.Value)
			continue
		case !timed:
			leave("no sentence before it tells the time")
			continue
		}
		if !slices.Contains(found[speed.Channel], s.Kind) {
			found[speed.Channel] = append(found[speed.Channel], s.Kind)
		}
		at := slices.Index(channels, speed.Channel)
		if n := len(rows); n == 0 || rows[n-1].t != now.Seconds() {
			rows = append(rows, sample{line: line, t: now.Seconds(), values: []float64{math.NaN(), math.NaN()}})
		}
		if value := &rows[len(rows)-1].values[at]; math.IsNaN(*value) { // else it is told twice within one fix
			*value = speed.Value
		}
	}
	if len(rows) < 2 {
		why := ""
		if len(p.LeftOut) > 0 {
			why = fmt.Sprintf("; of line %d: %s", p.LeftOut[0].Line, p.LeftOut[0].Why)
		}
		if none > 0 {
			why += fmt.Sprintf("; %d sentences say that there is no fix", none)
		}
		return fmt.Errorf("fewer than 2 speeds with a time stand in its sentences (RMC, VTG, VHW)%s", why)
	}
	for i, channel := range channels {
		s := Sense{Header: strings.Join(found[channel], ", "), Is: channel, Unit: "m/s"}
		switch {
		case len(found[channel]) == 0:
			s.Header, s.Is = "(no "+channel+")", Ignore
		case channel == link.SpeedOverGround:
			s.Meter, s.Note = overGround()
		}
		if i == 0 && none > 0 {
			s.Note = strings.TrimPrefix(fmt.Sprintf("%s; %d sentences say that there is no fix", s.Note, none), "; ")
		}
		p.Columns = append(p.Columns, s)
	}
	if !day.IsZero() {
		p.Begins = day.Add(time.Duration(rows[0].t * float64(time.Second)))
	}
	p.keep(rows)
	if !day.IsZero() {
		p.start, p.dated = p.start+float64(day.Unix()), true
	}
	p.Columns = slices.DeleteFunc(p.Columns, func(s Sense) bool { return s.Is == Ignore })
	p.Run.Traces = slices.DeleteFunc(p.Run.Traces, func(t record.Trace) bool {
		return !slices.ContainsFunc(t.Values, func(v float64) bool { return !math.IsNaN(v) })
	})
	return nil
}
