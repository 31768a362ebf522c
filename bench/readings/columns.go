package readings

import (
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/link"
	"quaybench/bench/link/scaling"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
)

// Columns is a columns file: what stands in the columns of a file that does not say.
type Columns struct {
	Columns []Column `key:"column" doc:"the columns that matter, in any order"`
}

// Column is one column of a foreign file.
type Column struct {
	Number int    `key:"number" min:"0" max:"2000" default:"0" doc:"its place, from 1; or give header"`
	Header string `key:"header" optional:"yes" example:"Amps" doc:"the text that heads it"`
	Is     string `key:"is" example:"battery_current" doc:"what it holds: time, lever, a channel such as voltage or battery_current, or a part that a thermometer was held to, such as motor housing; ignore"`
	Unit   string `key:"unit" optional:"yes" example:"A" doc:"its unit"`
	Error  string `key:"error" optional:"yes" example:"± 2 % ± 3 A" doc:"error of the meter: a share of the reading, an offset, or both"`
	Spot   string `key:"spot" one:"|bare metal|taped" default:"" doc:"of an infrared thermometer: what it looked at. On bare metal it reads tens of kelvin too low"`
}

// ReadColumns reads a columns file.
func ReadColumns(name string, text []byte) (*Columns, error) {
	c := new(Columns)
	source, err := datafile.Decode(name, text, c)
	if err != nil {
		return nil, err
	}
	for i, k := range c.Columns {
		key := fmt.Sprintf("column[%d]", i)
		if (k.Number > 0) == (k.Header != "") {
			source.Problem(key, "give number, the column's place, or header, the text that heads it")
		}
		if _, err := ParseError(k.Error, k.Is, k.Unit); err != nil {
			source.Problem(key+".error", "%v", err)
		}
	}
	return c, source.Err()
}

// bareMetal is how much an infrared thermometer may read low on bare metal, K (common practice, no source: its emissivity is 0.1 to 0.3, not the 0.95 that
// the meter assumes).
const bareMetal = 30.0

// Lever and Time are what a column may hold beside channels and parts.
const (
	Time   = "time"
	Date   = "date"
	Lever  = "lever"
	Ignore = "ignore"
)

// ParseError reads the error of the meter behind a column, which is in a unit: "± 2 % ± 3 A". Empty text is nil.
func ParseError(text, is, unit string) (*record.Meter, error) {
	text = foreignError.ReplaceAllStringFunc(text, func(part string) string {
		m := foreignError.FindStringSubmatch(part)
		v, err := strconv.ParseFloat(m[1], 64)
		u := cleanUnit(m[2])
		f, ok := foreign[u]
		switch {
		case err != nil:
			return part
		case u == "1/min" && is == link.MotorSpeed:
			return m[1] + " rpm"
		case !ok:
			return part
		}
		return fmt.Sprintf("%g %s", v*f.factor, strings.Replace(f.unit, "°C", "K", 1))
	})
	m, err := scaling.ReadMeter(text, ErrorUnit(is, cleanUnit(unit)))
	if err != nil || m == (link.Meter{}) && strings.TrimSpace(text) == "" {
		return nil, err
	}
	return &record.Meter{Gain: m.Gain, Offset: m.Offset}, nil
}

// foreignError is an offset whose unit may be none of boat files.
var foreignError = regexp.MustCompile(`([\d.]+)\s*([^\s\d.,±%+-][^\s,±%]*)`)

// said is what a word above a column speaks of; "" is passed over. A column with a word that is not here is left alone.
var said = map[string]string{
	"time": Time, "timestamp": Time, "elapsed": Time, "epoch": Time, "clock": Time, "utc": Time, "datetime": Time, "seconds": Time, "secs": Time, "sec": Time, "min": Time, "hh": Time, "mm": Time, "ss": Time, "h": Time, "m": Time, "s": Time, "zeit": Time, "uhrzeit": Time, "laufzeit": Time,
	"date": Date, "day": Date, "datum": Date,
	"lever": Lever, "throttle": Lever, "pot": Lever, "handle": Lever, "hebel": Lever, "gas": Lever, "gashebel": Lever, "fahrhebel": Lever, "fahrgeber": Lever,
	"voltage": "voltage", "volts": "voltage", "volt": "voltage", "v": "voltage", "u": "voltage", "spannung": "voltage",
	"current": "current", "amps": "current", "amp": "current", "ampere": "current", "a": "current", "i": "current", "strom": "current",
	"rpm": "revolutions", "revolutions": "revolutions", "revs": "revolutions", "tacho": "revolutions", "tachometer": "revolutions", "drehzahl": "revolutions", "n": "revolutions",
	"speed": "speed", "sog": "speed over ground", "stw": "speed through water", "temperature": "temperature", "temperatur": "temperature", "temp": "temperature", "geschwindigkeit": "speed", "fahrt": "speed", "duty": link.Duty, "t": "t",
	"battery": "battery", "batterie": "battery", "akku": "battery", "batt": "battery", "bat": "battery", "bank": "battery", "pack": "battery", "shunt": "battery", "cell": "battery",
	"motor": "motor", "mot": "motor", "armature": "motor", "phase": "motor", "shaft": "motor",
	"controller": "stage", "stage": "stage", "sink": "stage", "heatsink": "stage",
	"winding": "winding", "housing": "housing", "case": "housing",
	"boat": "boat", "boots": "boat", "gps": "ground", "ground": "ground", "phone": "ground", "water": "boat", "log": "boat",
	"position": "", "over": "", "through": "", "of": "", "in": "", "by": "", "and": "", "cycle": "", "local": "", "infrared": "", "ir": "", "heat": "",
}

// glued are words that loggers write as one: vbat, imot.
var glued = regexp.MustCompile(`^([vuitn])(batt?|mot|motor|sink|heatsink)$`)

// compound are words that German writes as one: Batteriestrom, Motordrehzahl.
var compound = regexp.MustCompile(`^(batterie|akku|motor|boots)(strom|spannung|drehzahl|temperatur|geschwindigkeit)$`)

// numbered is a thermometer without a place.
var numbered = regexp.MustCompile(`^t(emp)?( ?\d)?$`)

// which returns in words the channels that may be meant by a word that says only what they measure.
func which(word string) string {
	list := link.Names(func(k link.Kind) bool {
		return slices.ContainsFunc(k.Said, func(said string) bool { return slices.Contains(strings.Fields(said), word) })
	})
	if word == "temperature" {
		list = append(list, housing)
	}
	return quantity.Either(list)
}

const housing = "motor housing"

var unitOf = regexp.MustCompile(`^(.*?)\s*(?:\[([^\]]*)\]|\(([^)]*)\)|/\s*(\S+)|,\s*(\S+))\s*$`)

// remark is what stands in brackets behind a name and is no unit.
var remark = regexp.MustCompile(`(?i)^(infrared|ir|gps|phone|utc|local time|local|taped|bare metal)$`)

// heading splits the text above a column into name and unit: "Volts [V]", "Volts (V)", "Volts / V", "Volts, V".
func heading(text string) (name, unit string) {
	text = strings.TrimSpace(text)
	if m := unitOf.FindStringSubmatch(text); m != nil {
		for _, u := range m[2:] {
			if u != "" && knownUnit(u) {
				return strings.TrimSpace(m[1]), cleanUnit(u)
			}
		}
		if u := strings.TrimSpace(m[2] + m[3]); u != "" && strings.TrimSpace(m[1]) != "" && !remark.MatchString(u) { // a unit nobody knows is asked about
			return strings.TrimSpace(m[1]), u
		}
	}
	if i := strings.LastIndex(text, " in "); i > 0 && knownUnit(text[i+4:]) {
		return strings.TrimSpace(text[:i]), cleanUnit(text[i+4:])
	}
	if i := strings.LastIndexAny(text, " _"); i > 0 && knownUnit(text[i+1:]) && !slices.Contains([]string{"a", "t", "s", "h", "d", "m"}, strings.ToLower(text[i+1:])) || i > 0 && (text[i+1:] == "A" || text[i+1:] == "s") {
		return strings.TrimSpace(text[:i]), cleanUnit(text[i+1:])
	}
	return text, ""
}

// units are what people write for units that have another name here.
var units = map[string]string{
	"volt": "V", "volts": "V", "amp": "A", "amps": "A", "ampere": "A", "c": "°C", "degc": "°C", "deg c": "°C", "celsius": "°C", "°c": "°C", "ºc": "°C", "f": "°F", "degf": "°F", "°f": "°F",
	"knots": "kn", "knot": "kn", "kt": "kn", "kts": "kn", "kn": "kn", "kph": "km/h", "km/h": "km/h", "kmh": "km/h", "mph": "mph", "m/s": "m/s", "rpm": "rpm", "1/min": "1/min", "min-1": "1/min", "r/min": "rpm", "u/min": "rpm",
	"sec": "s", "secs": "s", "second": "s", "seconds": "s", "minutes": "min", "mins": "min", "hours": "h", "pct": "%", "percent": "%", "milliseconds": "ms", "ma": "mA", "mv": "mV",
}

func cleanUnit(u string) string {
	u = strings.TrimSpace(u)
	if known, ok := units[strings.ToLower(u)]; ok {
		return known
	}
	return u
}

func knownUnit(u string) bool {
	u = cleanUnit(u)
	if u == "" || len(u) > 8 {
		return false
	}
	if _, ok := foreign[u]; ok {
		return true
	}
	_, err := quantity.ParseUnit(u)
	return err == nil
}

// ErrorUnit returns the unit, among those of boat files, in which the error of a column in any unit is said.
func ErrorUnit(is, unit string) string {
	if f, ok := foreign[unit]; ok {
		unit = f.unit
	}
	switch {
	case unit == "1/min" && is == link.MotorSpeed:
		return "rpm"
	case unit == "°C":
		return "K"
	}
	return unit
}

// meaning returns what a column's name and unit mean; ask is a question where they may mean two things.
func meaning(name, unit string) (is, ask string) {
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(" _.-#:/,()[]", r) })
	plain := strings.Join(words, " ")
	if _, ok := link.KindOf(strings.ReplaceAll(plain, " ", "_")); ok {
		return strings.ReplaceAll(plain, " ", "_"), ""
	}
	of := map[string]bool{}
	for i := 0; i < len(words); i++ {
		w := words[i]
		m := glued.FindStringSubmatch(w)
		if m == nil {
			m = compound.FindStringSubmatch(w)
		}
		if m != nil {
			words = append(words, m[1], m[2])
			continue
		}
		what, known := said[w]
		if !known {
			if numbered.MatchString(plain) {
				return "", which("temperature")
			}
			if c, ok := link.Meant(strings.Join(words, "_")); ok {
				return c, ""
			}
			return "", ""
		}
		if what != "" {
			of[what] = true
		}
	}
	kind := ""
	for k, in := range map[string]string{"voltage": "V", "current": "A", "temperature": "°C", "speed": "m/s", "revolutions": "rpm"} {
		if unit != "" && sameKind(unit, in) == nil {
			kind = k
		}
	}
	if of["t"] { // time or temperature: what else stands there, or the unit, says which
		delete(of, "t")
		switch {
		case len(of) > 0 || kind == "temperature":
			of["temperature"] = true
		default:
			of[Time] = true
		}
	}
	for what, also := range map[string]string{"speed over ground": "ground", "speed through water": "boat"} {
		if of[what] {
			of["speed"], of[also] = true, true
			delete(of, what)
		}
	}
	if of["ground"] { // "GPS boat speed"
		delete(of, "boat")
	}
	if kind != "" && (of["battery"] || of["motor"] || of["stage"] || of["boat"] || of["ground"] || of["housing"]) && !of["voltage"] && !of["current"] && !of["temperature"] && !of["speed"] && !of["revolutions"] {
		of[kind] = true // "battery volts" is battery, in volts
	}
	only := func(list ...string) bool { // these, all of them, and nothing else
		for _, w := range list {
			if !of[w] {
				return false
			}
		}
		return len(of) == len(list)
	}
	for _, k := range link.Kinds() {
		if slices.ContainsFunc(k.Said, func(said string) bool { return only(strings.Fields(said)...) }) {
			return k.Name, ""
		}
	}
	switch {
	case only(Time), only(Time, Date), only(Time, "ground"):
		return Time, ""
	case only(Date):
		return Date, ""
	case only(Lever):
		return Lever, ""
	case only("motor", "housing", "temperature"), only("motor", "housing"), only("housing", "temperature"), only("housing"):
		return housing, ""
	case only("speed") && kind == "speed": // km/h is no shaft's
		return link.BoatSpeed, ""
	case only("current"), only("speed"), only("temperature"):
		return "", which(slices.Collect(maps.Keys(of))[0])
	}
	return "", ""
}

// toSI returns a number in a unit as its SI value.
func toSI(u quantity.Unit, v float64) float64 {
	zero, one := u.FromSI(0), u.FromSI(1)
	return (v - zero) / (one - zero)
}
