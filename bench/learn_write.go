package bench

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/learn"
	"quaybench/bench/quantity"
)

// WriteLearned returns the text of a boat file with the learned values that count in place of what it holds, each with its tolerance, the date and the records'
// hashes; comments and order are kept. A value of a practice record is called estimated.
func WriteLearned(name string, text []byte, l *Learned, day time.Time) ([]byte, error) {
	var hashes []string
	for _, r := range l.Records {
		hashes = append(hashes, r.Hash)
	}
	word := "measured"
	if l.Practice {
		word = "estimated"
	}
	origin := fmt.Sprintf("%s (learned %s from %s)", word, day.Format(time.DateOnly), strings.Join(hashes, " "))
	factors := map[string]map[int]float64{} // of a table, by column
	for i := range l.Values {
		v := &l.Values[i]
		if ok, _ := l.Counts(v); !ok {
			continue
		}
		if v.Factor {
			if factors[v.Table] == nil {
				factors[v.Table] = map[int]float64{}
			}
			for _, c := range v.Columns {
				factors[v.Table][c] = v.After
			}
			continue
		}
		_, source, err := boat.Read(name, text)
		if err != nil {
			return nil, err
		}
		if text, err = source.Set(v.Key, learnedText(v, source.Unit(v.Key, v.Unit), origin)); err != nil {
			return nil, err
		}
	}
	for key, columns := range factors {
		b, source, err := boat.Read(name, text)
		if err != nil {
			return nil, err
		}
		if source.Has(key) {
			text, err = source.ScaleColumns(key, columns, origin)
		} else { // it follows from other values
			rows := drive.TableOf(b, key)
			for _, row := range rows {
				for c, factor := range columns {
					row[c] *= factor
				}
			}
			text, err = source.AddTable(key, rows, origin)
		}
		if err != nil {
			return nil, err
		}
	}
	return text, nil
}

// learnedText returns a learned value as it stands in a file: four digits, in the unit in which the file had it, its half-width in per cent.
func learnedText(v *learn.Value, written, origin string) string {
	unit := cmp.Or(v.Unit, "1")
	text := quantity.FormatAuto(v.After, unit)
	switch {
	case written != v.Unit:
		text = quantity.Format(v.After, written, 4)
	case unit == "s" && math.Abs(v.After) >= 1: // minutes and hours are for reading
		text = quantity.Format(v.After, "s", 4)
	case unit == "rad/s":
		text = quantity.Format(v.After, "rpm", 4)
	default:
		text = quantity.Format(v.After, unitOf(text, unit), 4)
	}
	return fmt.Sprintf("%s ± %.2g %%, %s", text, 100*halfWidth(v), origin)
}

func unitOf(text, otherwise string) string {
	if _, unit, ok := strings.Cut(text, " "); ok {
		return unit
	}
	return otherwise
}

// halfWidth returns the half-width of a learned value's 95 % interval, as a share of it.
func halfWidth(v *learn.Value) float64 { return (v.High - v.Low) / 2 / math.Abs(v.After) }

type suspectJSON struct {
	Cause string   `json:"cause"`
	From  float64  `json:"from_s"`
	Size  float64  `json:"size"`
	SD    float64  `json:"size_sd"`
	Score float64  `json:"score"`
	Odds  float64  `json:"by_chance"`
	Named bool     `json:"named"`
	Like  []string `json:"not_told_from"`
}

func suspectsJSON(list []learn.Suspect) []suspectJSON {
	out := []suspectJSON{}
	for i := range list {
		s := &list[i]
		out = append(out, suspectJSON{s.Cause, s.From, s.Size, s.SD, s.Score, s.Odds, s.Named(), append([]string{}, s.Like...)})
	}
	return out
}

// MarshalJSON writes what was learned as one object, format 1, values in SI.
func (l *Learned) MarshalJSON() ([]byte, error) {
	type value struct {
		Key    string  `json:"key"`
		Unit   string  `json:"unit"`
		Factor bool    `json:"factor_on_table,omitempty"`
		Before float64 `json:"before"`
		After  float64 `json:"after"`
		Low    float64 `json:"low"`
		High   float64 `json:"high"`
		Width  float64 `json:"width_after_over_before"`
		Told   bool    `json:"told"`
		Counts bool    `json:"counts"`
		Why    string  `json:"why_not,omitempty"`
	}
	type margin struct {
		Part   string   `json:"part"`
		Trial  string   `json:"trial"`
		Unit   string   `json:"unit"`
		Before *float64 `json:"before"`
		BHalf  *float64 `json:"before_half_width"`
		After  *float64 `json:"after"`
		AHalf  *float64 `json:"after_half_width"`
	}
	type used struct {
		Name     string  `json:"name"`
		Hash     string  `json:"hash"`
		Readings int     `json:"readings"`
		Driven   string  `json:"driven_by"`
		Charge   float64 `json:"charge_at_start"`
	}
	out := struct {
		Format    int           `json:"format"`
		Boat      string        `json:"boat"`
		Caution   string        `json:"caution"`
		Records   []used        `json:"records"`
		Values    []value       `json:"values"`
		Margins   []margin      `json:"margins"`
		Causes    []suspectJSON `json:"causes"`
		Doubt     float64       `json:"chance_of_so_far_from_the_file"`
		Meters    []string      `json:"meters_in_doubt"`
		Agreement *float64      `json:"chance_of_last_record,omitempty"`
		Practice  bool          `json:"practice"`
	}{Format: 1, Boat: l.Setup.Boat.Name, Caution: Caution, Causes: suspectsJSON(l.Suspects), Doubt: l.Doubt, Meters: append([]string{}, l.Meters...), Agreement: finite(l.Agreement), Practice: l.Practice, Values: []value{}, Margins: []margin{}}
	for _, r := range l.Records {
		out.Records = append(out.Records, used{r.Name, r.Hash, r.Readings, r.Driven, r.Charge})
	}
	for i := range l.Values {
		v := &l.Values[i]
		counts, why := l.Counts(v)
		k := value{Key: v.Key, Unit: siUnit(v.Unit), Before: v.Before, After: v.After, Low: v.Low, High: v.High, Width: v.Width, Told: v.Told, Counts: counts, Why: why}
		if v.Factor {
			k.Factor, k.Unit = true, "1"
		}
		out.Values = append(out.Values, k)
	}
	for _, m := range l.Margins {
		out.Margins = append(out.Margins, margin{m.Part, m.Trial, siUnit(m.Unit), finite(m.Before), finite(m.Around), finite(m.After), finite(m.AroundNow)})
	}
	return json.Marshal(out)
}

// siUnit returns the SI unit of what is shown in another.
func siUnit(unit string) string {
	switch unit {
	case "", "1", "%":
		return "1"
	case "°C":
		return "K"
	case "A·h":
		return "C"
	case "kW·h":
		return "J"
	case "h", "min":
		return "s"
	case "rpm", "1/min":
		return "rad/s"
	case "km/h", "kn":
		return "m/s"
	}
	return unit
}

// MarshalJSON writes the comparison as one object, format 1, values in SI; a temperature's difference is in kelvin.
func (c *ComparedRecord) MarshalJSON() ([]byte, error) {
	type channel struct {
		Trace     string    `json:"trace"`
		Predicted string    `json:"predicted_by"`
		Unit      string    `json:"shown_in"`
		Largest   float64   `json:"largest"`
		At        float64   `json:"at_s"`
		RMS       float64   `json:"rms"`
		Outside   float64   `json:"share_beyond_explained"`
		From      *float64  `json:"from_s"`
		Parts     bool      `json:"parts"`
		Time      []float64 `json:"time_s"`
		Measured  []float64 `json:"measured"`
		Model     []float64 `json:"model"`
		Half      []float64 `json:"explained_half_width"`
	}
	out := struct {
		Format   int           `json:"format"`
		Boat     string        `json:"boat"`
		Record   string        `json:"record"`
		Hash     string        `json:"hash"`
		Caution  string        `json:"caution"`
		Channels []channel     `json:"channels"`
		Causes   []suspectJSON `json:"causes"`
		Doubt    float64       `json:"chance_of_so_far_from_the_file"`
		Meters   []string      `json:"meters_in_doubt"`
	}{Format: 1, Boat: c.Setup.Boat.Name, Record: c.Record.Name, Hash: c.Record.Hash, Caution: Caution, Causes: suspectsJSON(c.Suspects), Doubt: c.Doubt, Meters: append([]string{}, c.Meters...), Channels: []channel{}}
	for i := range c.Channels {
		k := &c.Channels[i]
		out.Channels = append(out.Channels, channel{k.Trace, k.Predicted, k.Unit, k.Largest, k.At, k.RMS, k.Outside, finite(k.From), Departs(k), k.Time, k.Measured, k.Model, k.Half})
	}
	return json.Marshal(out)
}
