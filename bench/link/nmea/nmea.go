// Package nmea reads speeds out of sentences of NMEA 0183: RMC and VTG over ground, VHW through the water. Those are two
// things: their difference is the water's own current.
//
// A sentence counts only where its check sum fits, its fields have the form of their kind, and status and mode say that there
// is a fix. A receiver without one, or an empty speed, is no reading (NaN), never a speed of zero. The check sum is required: it
// is the exclusive or of the bytes and does not see their order, so $GPVTG,45.5,T,67.5,M,.. and $GPVTG,T,45.5,67.5,M,.. have
// the same; that is why each field's form is looked at too.
//
// The standard is not free. Forms, status and mode are from public texts on it (receivers' manuals, parsers' tests); a knot is
// 1852 m in an hour (BIPM, SI brochure, 8th edition, table 8).
package nmea

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"quaybench/bench/link"
)

// Errors of a sentence that cannot be believed. One of another form is a [*FormError].
var (
	ErrNoSum = errors.New("a sentence without a check sum (*hh at its end): nothing tells a damaged one; switch it on in the instrument")
	ErrSum   = errors.New("the check sum does not fit")
)

// FormError is a field that is not as its kind of sentence has it.
type FormError struct {
	Kind  string // RMC, VTG, VHW ...
	Field int    // from 1, after the address; 0: the sentence as a whole
	Text  string
	Want  string
}

func (e *FormError) Error() string {
	if e.Field == 0 {
		return fmt.Sprintf("a sentence %s has %s, got %s", e.Kind, e.Want, e.Text)
	}
	return fmt.Sprintf("field %d of a sentence %s is %s, got %q", e.Field, e.Kind, e.Want, e.Text)
}

// Speed is what a sentence says of a speed.
type Speed struct {
	Kind    string  // RMC, VTG or VHW
	Channel string  // link.SpeedOverGround or link.BoatSpeed
	Value   float64 // m/s; NaN: the instrument has none
	Why     string  // it has none: "no fix (status V)"
}

// Kinds returns the sentences that tell a speed, and the channel of each.
func Kinds() map[string]string {
	return map[string]string{"RMC": link.SpeedOverGround, "VTG": link.SpeedOverGround, "VHW": link.BoatSpeed}
}

// FastestBoat is the highest speed that is believed of a boat here, m/s (common practice, no source): a receiver that jumps about says
// more.
const FastestBoat = 50

const (
	knot       = 1852.0 / 3600 // m/s
	hourly     = 1 / 3.6       // km/h in m/s
	fastest    = 1000.0        // kn; a number beyond it is damaged
	mostFields = 100
)

// Sentence is one whose check sum fits.
type Sentence struct {
	Talker string // GP, GN, II ...
	Kind   string // RMC, VTG ...
	Fields []string
}

// CheckSum returns the exclusive or of the bytes of a sentence between $ and *.
func CheckSum(body []byte) (sum byte) {
	for _, b := range body {
		sum ^= b
	}
	return sum
}

// Split checks a line and cuts it. ok is false for one that is no sentence of a talker: a remark, AIS, a maker's own. What a
// logger writes before the $ is passed over.
func Split(line []byte) (s Sentence, ok bool, err error) {
	begin := bytes.IndexByte(line, '$')
	if begin < 0 {
		return s, false, nil
	}
	line = bytes.TrimRight(line[begin+1:], "\r\n")
	if len(line) < 6 || line[5] != ',' || line[0] == 'P' || !capitals(line[:5]) {
		return s, false, nil
	}
	s.Talker, s.Kind = string(line[:2]), string(line[2:5])
	star := len(line) - 3
	if line[star] != '*' {
		if bytes.IndexByte(line, '*') < 0 {
			return s, true, ErrNoSum
		}
		return s, true, ErrSum
	}
	want, err := strconv.ParseUint(string(line[star+1:]), 16, 8)
	if err != nil || byte(want) != CheckSum(line[:star]) {
		return s, true, ErrSum
	}
	for _, b := range line[:star] {
		if b < ' ' || b > '~' {
			return s, true, &FormError{Kind: s.Kind, Want: "characters that can be printed", Text: fmt.Sprintf("byte %02X", b)}
		}
	}
	if s.Fields = strings.Split(string(line[6:star]), ","); len(s.Fields) > mostFields {
		return s, true, &FormError{Kind: s.Kind, Want: "fewer fields", Text: strconv.Itoa(len(s.Fields))}
	}
	return s, true, nil
}

func capitals(text []byte) bool {
	return !slices.ContainsFunc(text, func(b byte) bool { return (b < 'A' || b > 'Z') && (b < '0' || b > '9') })
}

// Reader reads the speeds of one stream. The zero value begins one.
type Reader struct {
	rmc  int    // sentences of any kind for which VTG only says again what RMC said
	last string // time of the last RMC
}

// repeats is for how many sentences after an RMC a VTG counts as the same fix told again.
const repeats = 50

// Read reads a sentence; ok is false for one that tells no speed, or again what RMC has told: a receiver that hangs repeats the same fix
// of the same time for ever.
func (r *Reader) Read(s Sentence) (speed Speed, ok bool, err error) {
	channel, ok := Kinds()[s.Kind]
	if !ok {
		r.rmc = max(0, r.rmc-1)
		return speed, false, nil
	}
	speed = Speed{Kind: s.Kind, Channel: channel}
	f := form{kind: s.Kind, fields: s.Fields}
	switch s.Kind {
	case "RMC":
		speed.Value, speed.Why = f.rmc()
	case "VTG":
		speed.Value, speed.Why = f.vtg()
	case "VHW":
		speed.Value, speed.Why = f.vhw()
	}
	if f.err != nil {
		return Speed{}, true, f.err
	}
	switch {
	case s.Kind == "RMC":
		told := r.last != "" && r.last == s.Fields[0] && !math.IsNaN(speed.Value)
		r.rmc, r.last = repeats, s.Fields[0]
		if told {
			return Speed{}, false, nil
		}
	case s.Kind == "VTG" && r.rmc > 0:
		r.rmc--
		return Speed{}, false, nil
	}
	return speed, true, nil
}

// form looks at the fields of a sentence, and keeps the first error.
type form struct {
	kind   string
	fields []string
	err    error
}

func (f *form) wrong(field int, want string) {
	if f.err == nil {
		f.err = &FormError{f.kind, field, f.fields[field-1], want}
	}
}

// count checks how many fields there are.
func (f *form) count(want string, numbers ...int) bool {
	if slices.Contains(numbers, len(f.fields)) {
		return true
	}
	f.err = &FormError{Kind: f.kind, Want: want + " fields", Text: strconv.Itoa(len(f.fields))}
	return false
}

// letter checks that a field is one of some letters; "" among them allows an empty one.
func (f *form) letter(field int, of ...string) string {
	text := f.fields[field-1]
	if !slices.Contains(of, text) {
		f.wrong(field, strings.TrimSpace("one of "+strings.Join(of, " ")))
	}
	return text
}

// decimal reads digits with or without a point; ok is false for an empty field, and step is what its last digit counts.
func (f *form) decimal(field int, most float64) (v, step float64, ok bool) {
	text := f.fields[field-1]
	if text == "" {
		return 0, 0, false
	}
	whole, part, _ := strings.Cut(text, ".")
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || strings.Trim(whole+part, "0123456789") != "" || len(text) > 20 || v > most {
		f.wrong(field, fmt.Sprintf("a number from 0 to %g", most))
		return 0, 0, false
	}
	return v, math.Pow10(-len(part)), true
}

// lettered reads a number and the letter behind it, which may be missing only where the number is.
func (f *form) lettered(field int, most float64, letter string) (v, step float64, ok bool) {
	if v, step, ok = f.decimal(field, most); ok {
		f.letter(field+1, letter)
	} else {
		f.letter(field+1, "", letter)
	}
	return v, step, ok
}

// digits checks that a field is empty, or so many digits with or without decimals.
func (f *form) digits(field, n int, what string) {
	whole, part, _ := strings.Cut(f.fields[field-1], ".")
	if f.fields[field-1] != "" && (len(whole) != n || strings.Trim(whole+part, "0123456789") != "") {
		f.wrong(field, what)
	}
}

// fix are the modes in which a receiver has one: autonomous, differential, real-time kinematic with whole or floating ambiguities, precise.
var fix = []string{"A", "D", "F", "R", "P"}

const noSpeed = "its speed is empty"

// rmc reads time, status, latitude, N or S, longitude, E or W, speed (kn), course, date, variation, E or W, and by the edition of the standard mode (2.3)
// and navigational status (4.1), whose V is not that of the first status.
func (f *form) rmc() (float64, string) {
	if !f.count("11, 12 or 13", 11, 12, 13) {
		return 0, ""
	}
	f.digits(1, 6, "a time, hhmmss")
	status := f.letter(2, "A", "V", "D")
	f.digits(3, 4, "a latitude, ddmm.mm")
	f.letter(4, "", "N", "S")
	f.digits(5, 5, "a longitude, dddmm.mm")
	f.letter(6, "", "E", "W")
	knots, _, ok := f.decimal(7, fastest)
	f.decimal(8, 360)
	f.digits(9, 6, "a date, ddmmyy")
	f.decimal(10, 180)
	f.letter(11, "", "E", "W")
	why := ""
	if status != "A" {
		why = "no fix (status " + status + ")"
	}
	if len(f.fields) > 11 {
		why = cmp.Or(why, f.mode(12))
	}
	if len(f.fields) > 12 {
		f.letter(13, "", "S", "C", "U", "V")
	}
	return speedOr(knots*knot, ok, why)
}

// vtg reads course T, course M, speed N, speed K and, by the edition of the standard, the mode.
func (f *form) vtg() (float64, string) {
	if !f.count("8 or 9", 8, 9) {
		return 0, ""
	}
	v, ok := f.twice(360)
	why := ""
	if len(f.fields) > 8 {
		why = f.mode(9)
	}
	return speedOr(v, ok, why)
}

// vhw reads heading T, heading M, speed N, speed K.
func (f *form) vhw() (float64, string) {
	if !f.count("8", 8) {
		return 0, ""
	}
	v, ok := f.twice(360)
	return speedOr(v, ok, "")
}

// mode reads the mode; why is "" where it is that of a fix.
func (f *form) mode(field int) (why string) {
	mode := f.letter(field, append(slices.Clone(fix), "E", "M", "S", "N", "")...)
	if slices.Contains(fix, mode) {
		return ""
	}
	return fmt.Sprintf("no fix (mode %q)", mode)
}

// twice reads two angles and a speed in knots and in km/h, each with its letter. Where both speeds are given they must agree.
func (f *form) twice(most float64) (v float64, ok bool) {
	f.lettered(1, most, "T")
	f.lettered(3, most, "M")
	knots, step, haveKnots := f.lettered(5, fastest, "N")
	kmh, stepKmh, haveKmh := f.lettered(7, 1.852*fastest, "K")
	if haveKnots && haveKmh && math.Abs(1.852*knots-kmh) > 1.852*step+stepKmh+1e-9 {
		f.wrong(7, fmt.Sprintf("the same speed in km/h as field 5 has in knots (%s)", f.fields[4]))
	}
	if haveKnots {
		return knots * knot, true
	}
	return kmh * hourly, haveKmh
}

func speedOr(v float64, ok bool, why string) (float64, string) {
	switch {
	case why != "":
		return math.NaN(), why
	case !ok:
		return math.NaN(), noSpeed
	}
	return v, ""
}

// Clock returns the time of day in UTC that a sentence tells (RMC, ZDA, GGA, GLL), and the date where it has one; ok is false
// for one that tells none.
func Clock(s Sentence) (ofDay time.Duration, date time.Time, ok bool) {
	field := map[string]int{"RMC": 0, "ZDA": 0, "GGA": 0, "GLL": 4}
	at, known := field[s.Kind]
	if !known || at >= len(s.Fields) {
		return 0, date, false
	}
	text := s.Fields[at]
	whole, part, _ := strings.Cut(text, ".")
	clock, err := time.Parse("150405", whole)
	if err != nil || len(part) > 9 || strings.Trim(part, "0123456789") != "" {
		return 0, date, false
	}
	ofDay = time.Duration(clock.Hour())*time.Hour + time.Duration(clock.Minute())*time.Minute + time.Duration(clock.Second())*time.Second
	if n, err := strconv.ParseFloat("0."+part+"0", 64); err == nil {
		ofDay += time.Duration(math.Round(n * 1e9))
	}
	switch {
	case s.Kind == "RMC" && len(s.Fields) > 8:
		if d, err := time.Parse("020106", s.Fields[8]); err == nil {
			date = d
		}
	case s.Kind == "ZDA" && len(s.Fields) > 3:
		if d, err := time.Parse("02012006", strings.Join(s.Fields[1:4], "")); err == nil {
			date = d
		}
	}
	return ofDay, date, true
}
