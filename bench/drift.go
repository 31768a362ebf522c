package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"quaybench/bench/learn"
)

// Drifted is what a boat's records, one by one, say of how its values move.
type Drifted struct {
	Setup   *Setup
	Records []DriftRecord // in order of time
	Tracks  []learn.Track
	LeftOut []string // records that could not be used, and why
}

// DriftRecord is one of them.
type DriftRecord struct {
	Name, Hash string
	At         time.Time
}

// Drift learns from each record by itself and follows each value over them. Records that do not say when they were made are left out.
func Drift(ctx context.Context, s *Setup, records []*learn.Record) (*Drifted, error) {
	out := &Drifted{Setup: s}
	type dated struct {
		*learn.Record
		at time.Time
	}
	var list []dated
	for _, r := range records {
		at, err := time.Parse(time.RFC3339, r.Run.Provenance.Clock)
		if err != nil {
			out.LeftOut = append(out.LeftOut, r.Name+": it does not say when it was made")
			continue
		}
		list = append(list, dated{r, at})
	}
	slices.SortStableFunc(list, func(a, b dated) int { return a.at.Compare(b.at) })
	var results []*learn.Result
	var days []float64
	for _, r := range list {
		one, err := learn.Learn(ctx, s.Boat, s.Settings, []*learn.Record{r.Record})
		if err != nil {
			if ctx.Err() != nil {
				return nil, context.Cause(ctx)
			}
			out.LeftOut = append(out.LeftOut, err.Error())
			continue
		}
		out.Records = append(out.Records, DriftRecord{r.Name, r.Hash, r.at})
		results, days = append(results, one), append(days, r.at.Sub(list[0].at).Hours()/24)
	}
	if len(results) < 2 {
		return nil, errors.New("two records of the boat that say when they were made are the fewest to see a drift in")
	}
	var err error
	if out.Tracks, err = learn.Tracks(results, days); err != nil {
		return nil, err
	}
	trials, err := s.trials(nil)
	if err != nil {
		return nil, err
	}
	for i := range out.Tracks {
		if err := out.Tracks[i].FindReach(ctx, results[0], trials); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Date returns the day so many days after the first record.
func (d *Drifted) Date(days float64) time.Time {
	return d.Records[0].At.Add(time.Duration(days * 24 * float64(time.Hour)))
}

// Reaches says in words when a value that moves reaches a limit; "": nobody can tell. layout is that of its dates.
func (d *Drifted) Reaches(t *learn.Track, layout string) string {
	r := t.Reach
	switch {
	case r == nil:
		return ""
	case r.Late == 0:
		return fmt.Sprintf("as it is now, the %s passes its limit in %s", r.Part, r.Trial)
	case math.IsInf(r.Late, 1):
		return fmt.Sprintf("at this pace the %s reaches its limit in %s no sooner than %s", r.Part, r.Trial, d.Date(r.Early).Format(layout))
	}
	return fmt.Sprintf("at this pace the %s reaches its limit in %s between %s and %s", r.Part, r.Trial, d.Date(r.Early).Format(layout), d.Date(r.Late).Format(layout))
}

// MarshalJSON writes the drift as one object, format 1, SI.
func (d *Drifted) MarshalJSON() ([]byte, error) {
	type used struct {
		Name string    `json:"name"`
		Hash string    `json:"hash"`
		At   time.Time `json:"at"`
	}
	type value struct {
		Key      string    `json:"key"`
		Unit     string    `json:"unit"`
		Days     []float64 `json:"days"`
		Values   []float64 `json:"values"`
		Low      []float64 `json:"low"`
		High     []float64 `json:"high"`
		Chance   float64   `json:"by_chance"`
		Moved    bool      `json:"moved"`
		Like     []string  `json:"not_told_from"`
		Pace     *float64  `json:"pace_a_day"`
		PaceLow  *float64  `json:"pace_low"`
		PaceHigh *float64  `json:"pace_high"`
		Part     string    `json:"limit_of,omitempty"`
		Trial    string    `json:"limit_in,omitempty"`
		Passed   bool      `json:"limit_passed,omitempty"`
		Earliest string    `json:"limit_earliest,omitempty"`
		Latest   string    `json:"limit_latest,omitempty"`
	}
	out := struct {
		Format  int      `json:"format"`
		Boat    string   `json:"boat"`
		Caution string   `json:"caution"`
		Records []used   `json:"records"`
		Values  []value  `json:"values"`
		LeftOut []string `json:"left_out"`
	}{1, d.Setup.Boat.Name, Caution, nil, []value{}, append([]string{}, d.LeftOut...)}
	for _, r := range d.Records {
		out.Records = append(out.Records, used(r))
	}
	for i := range d.Tracks {
		t := &d.Tracks[i]
		v := value{Key: t.Key, Unit: siUnit(t.Unit), Days: t.Day, Values: t.Value, Low: t.Low, High: t.High, Chance: t.Chance, Moved: t.Moved, Like: append([]string{}, t.Like...), Pace: finite(t.Pace), PaceLow: finite(t.PaceLow), PaceHigh: finite(t.PaceHigh)}
		if t.Factor {
			v.Unit = "1"
		}
		if r := t.Reach; r != nil {
			v.Part, v.Trial = r.Part, r.Trial
			if v.Passed = r.Late == 0; !v.Passed {
				v.Earliest = d.Date(r.Early).Format(time.DateOnly)
				if !math.IsInf(r.Late, 1) {
					v.Latest = d.Date(r.Late).Format(time.DateOnly)
				}
			}
		}
		out.Values = append(out.Values, v)
	}
	return json.Marshal(out)
}
