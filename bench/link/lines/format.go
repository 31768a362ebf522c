package lines

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/link/scaling"
	"quaybench/bench/quantity"
)

// Format says what the lines of a logger hold. It does not change and is safe
// for several goroutines.
type Format struct {
	title      string
	staleAfter time.Duration
	channels   []link.Channel
	begin      func() decoder // makes what reads the lines of one stream
}

// decoder reads whole lines of one stream.
type decoder interface {
	// decode returns what a line says that came at a time. The error is errPassedOver for a line that is not meant; column is the one
	// that an error is about.
	decode(line []byte, at time.Time) (d decoded, column string, err error)
}

// A decoded line: its readings, and when they were so.
type decoded struct {
	values []float64 // NaN: no reading
	fresh  int       // the one channel that the line tells of; −1: all of them
	moved  time.Time // when it was so at the earliest, by the instrument's own clock; zero: the line tells no time
}

// ownClock is the clock that an instrument sends with its readings, held against ours.
type ownClock struct {
	text   string    // what it showed last that is no number and no time of day
	last   float64   // what it showed last, s
	newest float64   // and the furthest that counts
	due    time.Time // when it showed that, had none of its lines come later after the fact than the promptest
	back   time.Time // when it last went back
	again  bool      // and not for the first time within mostAgain: it sends old lines over and over
}

// A shows is one look at an instrument's clock: its text, and the seconds in it where they can be read.
type shows struct {
	text    string
	seconds float64
	read    bool          // seconds are known; else the text alone tells
	rate    bool          // it counts seconds; else lines, or nobody knows what
	step    time.Duration // it may show the same for so long without standing still
}

const (
	day = 24 * 3600.0
	// clockError is the share of its time by which an instrument's clock may run slow: quartz errs by less than a thousandth, the oscillators on a
	// processor by some per cent (common practice, no source).
	clockError = 0.05
	// mostAgain is the pause between two steps back of a clock: a restart, or a GPS that learns of leap seconds, is one.
	mostAgain = time.Minute
)

// tell notes what the clock shows at a time, and returns when what came with it was so at the earliest, by that clock. That falls behind where the clock
// stands still, where it keeps going back, as that of an instrument does which sends its last lines over and over, and where it runs slower than
// ours: then what comes waited ever longer in a buffer.
func (c *ownClock) tell(now shows, at time.Time) (moved time.Time) {
	since := func(then float64) float64 { // midnight is no step back
		return math.Remainder(now.seconds-then, day)
	}
	if !now.rate {
		since = func(then float64) float64 { return now.seconds - then }
	}
	switch first := c.due.IsZero(); {
	case !now.read: // an empty one says nothing
		if first || now.text != "" && now.text != c.text {
			c.due = at
		}
	case first:
		c.due, c.newest = at, now.seconds
	case since(c.last) < 0 && (c.back.IsZero() || at.Sub(c.back) > mostAgain), since(c.last) >= 0 && c.again && at.Sub(c.back) > mostAgain:
		c.due, c.newest, c.back, c.again = at, now.seconds, at, false
	case since(c.last) < 0:
		c.back, c.again = at, true
	case since(c.newest) > 0:
		forward := time.Duration(since(c.newest) * (1 + clockError) * float64(time.Second))
		if c.due, c.newest = c.due.Add(forward), now.seconds; !now.rate || c.due.After(at) {
			c.due = at
		}
	}
	if now.read {
		c.last = now.seconds
	} else if now.text != "" {
		c.text = now.text
	}
	if moved = c.due.Add(now.step); moved.After(at) {
		return at
	}
	return moved
}

// columns is a decoder of lines that are cut into columns.
type columns struct {
	delimiter byte
	spaces    bool // any run of white space parts the columns
	comma     bool // a decimal comma
	xor       bool
	begins    string // how a line of readings begins; "": all are
	header    string // the line above the readings; "": there is none
	list      []column
	channels  []link.Channel // of the columns that are readings
	clock     ownClock       // of one stream
}

type column struct {
	scaling.Scaling
	channel int     // index into channels; -1: no reading
	clock   bool    // the logger's own
	second  float64 // what 1 in a clock's column is, s
	counts  bool    // nobody says that it is a time: it may count lines
}

// file is the column list as it stands.
type file struct {
	Title      string       `key:"title" example:"bench logger (invented)" doc:"what the list is for"`
	Speaks     string       `key:"speaks" one:"lines|NMEA 0183|SCPI" default:"lines" doc:"how it speaks"`
	Delimiter  string       `key:"delimiter" one:";|,|tab|space" default:";" doc:"what stands between columns; space is any run of spaces or tabs"`
	Decimal    string       `key:"decimal" one:"point|comma" default:"point" doc:"how decimals are written"`
	Header     string       `key:"header" optional:"yes" example:"time [s];voltage [V]" doc:"the line above the readings; another one in its place stops a test"`
	Checksum   string       `key:"checksum" one:"xor|none" example:"xor" doc:"xor: *hh at the end of each line, as in NMEA 0183"`
	Begins     string       `key:"begins" optional:"yes" example:"$IIMWV" doc:"how the lines with these columns begin, the first column included; others are passed over"`
	StaleAfter float64      `key:"stale_after" unit:"s" min:"50 ms" max:"1 min" default:"1 s" doc:"no line for so long is an error"`
	Delay      float64      `key:"delay" unit:"s" min:"0 s" max:"1 min" default:"0 s" doc:"how long after the fact its readings come; it is taken to be known to within itself"`
	Columns    []columnFile `key:"column" doc:"the columns, in their order"`
}

type columnFile struct {
	Name   string `key:"name" optional:"yes" example:"voltage" doc:"name of the reading"`
	Unit   string `key:"unit" optional:"yes" example:"V" doc:"unit to show values in"`
	Scale  string `key:"scale" optional:"yes" example:"10 mV" doc:"what 1 in the line is"`
	Offset string `key:"offset" optional:"yes" example:"0 V" doc:"what 0 in the line means"`
	Min    string `key:"min" optional:"yes" example:"0 V" doc:"lowest value that can be true"`
	Max    string `key:"max" optional:"yes" example:"100 V" doc:"highest value that can be true"`
	Error  string `key:"error" optional:"yes" example:"± 1 % ± 0.2 V" doc:"error of the reading: a share, an offset, or both (default: the boat file's instruments)"`
	Clock  bool   `key:"clock" default:"false" doc:"the logger's own time, or a count of its lines: where it stands still, keeps going back or falls behind, the logger hangs, though lines come"`
	Ignore bool   `key:"ignore" default:"false" doc:"a column of no interest"`
}

var nameForm = regexp.MustCompile(`^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*$`)

// Load reads a column list. name appears in messages only. The error is
// [datafile.Problems]: everything wrong with the file, with line and column.
func Load(name string, data []byte) (*Format, error) {
	var f file
	source, _ := datafile.Decode(name, data, &f)
	c := &columns{begins: f.Begins, header: f.Header, xor: f.Checksum == "xor", comma: f.Decimal == "comma"}
	switch f.Delimiter {
	case "tab":
		c.delimiter = '\t'
	case "space":
		c.spaces = true
	case ",", ";":
		c.delimiter = f.Delimiter[0]
	}
	if c.comma && f.Delimiter == "," {
		source.Problem("decimal", "a comma cannot both part the columns and stand before decimals")
	}
	c.read(source, f.Columns, seconds(f.Delay))
	if err := source.Err(); err != nil {
		return nil, err
	}
	return &Format{title: f.Title, staleAfter: seconds(f.StaleAfter), channels: c.channels, begin: func() decoder { one := *c; return &one }}, nil
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

// read reads the columns of a file.
func (c *columns) read(source *datafile.Source, list []columnFile, delay time.Duration) {
	seen := map[string]bool{}
	for i, f := range list {
		at := fmt.Sprintf("column[%d]", i)
		if f.Ignore || f.Clock {
			c.list = append(c.list, c.noReading(source, at, f))
			continue
		}
		CheckName(f.Name, seen, `, or ignore = true`, func(text string, args ...any) { source.Problem(at+".name", text, args...) })
		s, ok := scaling.Read(scaling.Text{Unit: f.Unit, Scale: f.Scale, Offset: f.Offset, Min: f.Min, Max: f.Max},
			func(key, text string, args ...any) { source.Problem(at+"."+key, text, args...) })
		if !ok {
			continue
		}
		meter, err := scaling.ReadMeter(f.Error, s.Unit)
		if err != nil {
			source.Problem(at+".error", "%v", err)
		}
		c.list = append(c.list, column{Scaling: s, channel: len(c.channels)})
		c.channels = append(c.channels, link.Channel{Name: f.Name, Unit: s.Unit, Meter: meter, Delay: delay})
	}
	if len(list) > 0 && len(c.channels) == 0 && source.Err() == nil {
		source.Problem("column[0]", "no column is a reading: nothing is left to read")
	}
}

// noReading reads a column that is a clock or of no interest.
func (c *columns) noReading(source *datafile.Source, at string, f columnFile) column {
	what, keys := "that is ignored", []string{"name", "unit", "scale", "offset", "min", "max", "error", "clock"}
	out := column{channel: -1, second: 1}
	if f.Clock && !f.Ignore {
		what, keys = "that is a clock", []string{"name", "scale", "offset", "min", "max", "error"}
		out.clock, out.counts = true, f.Unit == ""
		if slices.ContainsFunc(c.list, func(c column) bool { return c.clock }) {
			source.Problem(at+".clock", "there is a clock already: one is enough, that which moves on with every line")
		}
		if one, err := quantity.Parse("1 "+f.Unit, quantity.MustUnit("s")); f.Unit != "" && err != nil {
			source.Problem(at+".unit", "the unit %q of a clock is no time", f.Unit)
		} else if f.Unit != "" {
			out.second = one.SI
		}
	}
	for _, key := range keys {
		if source.Has(at + "." + key) {
			source.Problem(at+"."+key, "%s of a column %s", key, what)
		}
	}
	return out
}

// CheckName looks at the name of an instrument's reading: its form, that it comes once, and that no channel of the tool is meant by
// it that nothing would watch over then. seen are those before it; or is what a missing one may be in place of a name.
func CheckName(name string, seen map[string]bool, or string, problem func(text string, args ...any)) {
	switch {
	case name == "":
		problem(`name is missing; write for example name = "voltage"%s`, or)
	case !nameForm.MatchString(name):
		problem("%q is no name; write lower-case words joined by _", name)
	case seen[name]:
		problem("column %s comes twice", name)
	}
	if meant, ok := link.Meant(name); ok {
		problem("there is no reading %s, and nothing would watch over it: is %s meant? Another thing needs a name less like it", name, meant)
	}
	seen[name] = true
}

// Title returns what the list is for.
func (f *Format) Title() string { return f.title }

// StaleAfter returns how long no line may come.
func (f *Format) StaleAfter() time.Duration { return f.staleAfter }

// Open returns the instrument at the end of a line, which stays the caller's.
func (f *Format) Open(p port.Port, clock port.Clock) link.Instrument { return NewLogger(f, p, clock) }

// Channels returns the readings of each line.
func (f *Format) Channels() []link.Channel { return append([]link.Channel(nil), f.channels...) }
