package lines

import (
	"fmt"
	"math"
	"regexp"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/scaling"
)

// Format says what the lines of a logger hold. It does not change and is safe
// for several goroutines.
type Format struct {
	title      string
	delimiter  byte
	spaces     bool // any run of white space parts the columns
	xor        bool
	begins     string // how a line of readings begins; "": all are
	staleAfter time.Duration
	columns    []column
	channels   []link.Channel // of the columns not ignored
}

type column struct {
	scaling.Scaling
	channel int // index into channels; -1: ignored
}

// file is the column list as it stands.
type file struct {
	Title      string       `key:"title" example:"bench logger (invented)" doc:"what the list is for"`
	Delimiter  string       `key:"delimiter" one:";|,|tab|space" default:";" doc:"what stands between columns; space is any run of spaces or tabs"`
	Checksum   string       `key:"checksum" one:"xor|none" example:"xor" doc:"xor: *hh at the end of each line, as in NMEA 0183"`
	Begins     string       `key:"begins" optional:"yes" example:"$IIMWV" doc:"how the lines with these columns begin, the first column included; others are passed over"`
	StaleAfter float64      `key:"stale_after" unit:"s" min:"50 ms" max:"1 min" default:"1 s" doc:"no line for so long is an error"`
	Columns    []columnFile `key:"column" doc:"the columns, in their order"`
}

type columnFile struct {
	Name   string `key:"name" optional:"yes" example:"voltage" doc:"name of the reading"`
	Unit   string `key:"unit" optional:"yes" example:"V" doc:"unit to show values in"`
	Scale  string `key:"scale" optional:"yes" example:"10 mV" doc:"what 1 in the line is"`
	Offset string `key:"offset" optional:"yes" example:"0 V" doc:"what 0 in the line means"`
	Min    string `key:"min" optional:"yes" example:"0 V" doc:"lowest value that can be true"`
	Max    string `key:"max" optional:"yes" example:"100 V" doc:"highest value that can be true"`
	Ignore bool   `key:"ignore" default:"false" doc:"a column of no interest"`
}

var nameForm = regexp.MustCompile(`^[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*$`)

// Load reads a column list. name appears in messages only. The error is
// [datafile.Problems]: everything wrong with the file, with line and column.
func Load(name string, data []byte) (*Format, error) {
	var f file
	source, _ := datafile.Decode(name, data, &f)
	format := &Format{
		title: f.Title, begins: f.Begins, xor: f.Checksum == "xor", staleAfter: time.Duration(math.Round(f.StaleAfter * float64(time.Second))),
	}
	switch f.Delimiter {
	case "tab":
		format.delimiter = '\t'
	case "space":
		format.spaces = true
	case ",", ";":
		format.delimiter = f.Delimiter[0]
	}
	seen := map[string]bool{}
	for i, c := range f.Columns {
		at := fmt.Sprintf("column[%d]", i)
		if c.Ignore {
			for _, key := range []string{"unit", "scale", "offset", "min", "max"} {
				if source.Has(at + "." + key) {
					source.Problem(at+"."+key, "%s of a column that is ignored", key)
				}
			}
			format.columns = append(format.columns, column{channel: -1})
			continue
		}
		switch {
		case c.Name == "":
			source.Problem(at+".name", `name is missing; write for example name = "voltage", or ignore = true`)
		case !nameForm.MatchString(c.Name):
			source.Problem(at+".name", "%q is no name; write lower-case words joined by _", c.Name)
		case seen[c.Name]:
			source.Problem(at+".name", "column %s comes twice", c.Name)
		}
		if meant, ok := link.Meant(c.Name); ok {
			source.Problem(at+".name", "there is no reading %s, and nothing would watch over it: is %s meant? Another thing needs a name less like it", c.Name, meant)
		}
		seen[c.Name] = true
		s, ok := scaling.Read(scaling.Text{Unit: c.Unit, Scale: c.Scale, Offset: c.Offset, Min: c.Min, Max: c.Max},
			func(key, text string, args ...any) { source.Problem(at+"."+key, text, args...) })
		if ok {
			format.columns = append(format.columns, column{s, len(format.channels)})
			format.channels = append(format.channels, link.Channel{Name: c.Name, Unit: s.Unit})
		}
	}
	if len(f.Columns) > 0 && len(format.channels) == 0 && source.Err() == nil {
		source.Problem("column[0]", "every column is ignored: nothing is left to read")
	}
	if err := source.Err(); err != nil {
		return nil, err
	}
	return format, nil
}

// Title says what the list is for.
func (f *Format) Title() string { return f.title }

// StaleAfter is how long no line may come.
func (f *Format) StaleAfter() time.Duration { return f.staleAfter }

// Channels are the readings of each line.
func (f *Format) Channels() []link.Channel { return append([]link.Channel(nil), f.channels...) }
