package lines

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/nmea"
	"quaybench/bench/link/scaling"
)

// sentencesFile is the description of an instrument that speaks NMEA 0183, as it stands.
type sentencesFile struct {
	Title      string           `key:"title" example:"GPS on the wheelhouse (invented)" doc:"what the list is for"`
	Speaks     string           `key:"speaks" one:"NMEA 0183" example:"NMEA 0183" doc:"how it speaks"`
	StaleAfter float64          `key:"stale_after" unit:"s" min:"50 ms" max:"1 min" default:"5 s" doc:"no sentence with a speed for so long is an error"`
	Delay      float64          `key:"delay" unit:"s" min:"0 s" max:"1 min" default:"1 s" doc:"how long after the fact its readings come (a GPS smooths); it is taken to be known to within itself"`
	Readings   []sentenceReader `key:"reading" doc:"the speeds that count: speed_over_ground (RMC or VTG), boat_speed (VHW)"`
}

type sentenceReader struct {
	Name  string `key:"name" one:"speed_over_ground|boat_speed" example:"speed_over_ground" doc:"speed_over_ground, of a GPS, or boat_speed, through the water, of a log"`
	Unit  string `key:"unit" one:"m/s|kn|km/h" default:"kn" doc:"unit to show values in"`
	Error string `key:"error" optional:"yes" example:"± 0.5 kn" doc:"error of the reading; over ground the water's own speed is part of it"`
}

// LoadSentences reads the description of an instrument that speaks NMEA 0183. name appears in messages only. The error is
// [datafile.Problems]: everything wrong with the file, with line and column.
func LoadSentences(name string, data []byte) (*Format, error) {
	var f sentencesFile
	source, _ := datafile.Decode(name, data, &f)
	var channels []link.Channel
	for i, r := range f.Readings {
		at := fmt.Sprintf("reading[%d]", i)
		if slices.ContainsFunc(channels, func(c link.Channel) bool { return c.Name == r.Name }) {
			source.Problem(at+".name", "reading %s comes twice", r.Name)
		}
		meter, err := scaling.ReadMeter(r.Error, r.Unit)
		if err != nil {
			source.Problem(at+".error", "%v", err)
		}
		channels = append(channels, link.Channel{Name: r.Name, Unit: r.Unit, Meter: meter, Delay: seconds(f.Delay)})
	}
	if err := source.Err(); err != nil {
		return nil, err
	}
	return sentencesOf(f.Title, seconds(f.StaleAfter), channels), nil
}

// Sentences returns the format of an instrument of which nothing more is known than the speeds that it sends: link.SpeedOverGround,
// link.BoatSpeed. Its delay and its error are the usual ones.
func Sentences(channels ...string) *Format {
	var list []link.Channel
	for _, name := range channels {
		list = append(list, link.Channel{Name: name, Unit: "kn", Delay: usualDelay})
	}
	return sentencesOf("NMEA 0183", usualStale, list)
}

// What is usual of a GPS or a log, which tells its speed once a second and smooths it (common practice, no source). The tags of
// sentencesFile say the same.
const (
	usualDelay = time.Second
	usualStale = 5 * time.Second
)

func sentencesOf(title string, stale time.Duration, channels []link.Channel) *Format {
	return &Format{title: title, staleAfter: stale, channels: channels, begin: func() decoder { return &sentences{channels: channels} }}
}

// sentences is a decoder of NMEA 0183.
type sentences struct {
	channels []link.Channel
	reader   nmea.Reader
	clock    ownClock      // of the satellites' receiver: of all sentences that tell a time
	behind   time.Duration // so far its newest time is behind; it may be told less often than the speed
}

var errTooFast = errors.New("faster than any boat here: the receiver jumps about")

func (s *sentences) decode(line []byte, at time.Time) (d decoded, column string, err error) {
	fail := func(err error) (decoded, string, error) { return decoded{}, "", err }
	sentence, ok, err := nmea.Split(line)
	if err != nil {
		return fail(err)
	}
	if !ok {
		if err := printable(line); err != nil {
			return fail(err)
		}
		return fail(errPassedOver)
	}
	if of, _, ok := nmea.Clock(sentence); ok {
		s.behind = at.Sub(s.clock.tell(shows{text: of.String(), seconds: of.Seconds(), read: true, rate: true}, at))
	}
	speed, ok, err := s.reader.Read(sentence)
	if err != nil {
		return fail(err)
	}
	fresh := slices.IndexFunc(s.channels, func(c link.Channel) bool { return c.Name == speed.Channel })
	if !ok || fresh < 0 {
		return fail(errPassedOver)
	}
	if speed.Value > nmea.FastestBoat {
		return decoded{}, speed.Channel, errTooFast
	}
	d = decoded{values: make([]float64, len(s.channels)), fresh: fresh}
	for i := range d.values {
		d.values[i] = math.NaN()
	}
	d.values[fresh] = speed.Value
	if speed.Channel == link.SpeedOverGround && !s.clock.due.IsZero() && !math.IsNaN(speed.Value) {
		d.moved = at.Add(-s.behind)
	}
	return d, "", nil
}
