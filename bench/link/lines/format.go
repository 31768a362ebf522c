package lines

import (
	"fmt"
	"math"
	"regexp"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/link/scaling"
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
	// decode returns the readings of a line, NaN for one that is none. fresh is the one channel that the line tells of, −1 for all
	// of them. The error is errPassedOver for a line that is not meant; column is the one that an error is about.
	decode(line []byte) (values []float64, fresh int, column string, err error)
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
	channels  []link.Channel // of the columns not ignored
}

type column struct {
	scaling.Scaling
	channel int // index into channels; -1: ignored
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
	return &Format{title: f.Title, staleAfter: seconds(f.StaleAfter), channels: c.channels, begin: func() decoder { return c }}, nil
}

func seconds(s float64) time.Duration { return time.Duration(math.Round(s * float64(time.Second))) }

// read reads the columns of a file.
func (c *columns) read(source *datafile.Source, list []columnFile, delay time.Duration) {
	seen := map[string]bool{}
	for i, f := range list {
		at := fmt.Sprintf("column[%d]", i)
		if f.Ignore {
			for _, key := range []string{"unit", "scale", "offset", "min", "max", "error"} {
				if source.Has(at + "." + key) {
					source.Problem(at+"."+key, "%s of a column that is ignored", key)
				}
			}
			c.list = append(c.list, column{channel: -1})
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
		c.list = append(c.list, column{s, len(c.channels)})
		c.channels = append(c.channels, link.Channel{Name: f.Name, Unit: s.Unit, Meter: meter, Delay: delay})
	}
	if len(list) > 0 && len(c.channels) == 0 && source.Err() == nil {
		source.Problem("column[0]", "every column is ignored: nothing is left to read")
	}
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

// Open makes the instrument at the end of a line, which stays the caller's.
func (f *Format) Open(p port.Port, clock port.Clock) link.Instrument { return NewLogger(f, p, clock) }

// Channels returns the readings of each line.
func (f *Format) Channels() []link.Channel { return append([]link.Channel(nil), f.channels...) }
