package bench

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"quaybench/bench/learn"
)

// Drifted is what a boat's records say of how it ages.
type Drifted struct {
	Setup   *Setup
	Records []DriftRecord // in order of time
	Tracks  []learn.Track // those that moved beyond chance first
	LeftOut []string      // records that could not be used, and why
}

// DriftRecord is one of them.
type DriftRecord struct {
	Name, Hash string
	At         time.Time
}

// FindDrift learns from records together and follows over them each value that wears. Records that do not say when they were made, or do not fit, are left out.
func FindDrift(ctx context.Context, s *Setup, records []*learn.Record) (*Drifted, error) {
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
	var ordered []*learn.Record
	var days []float64
	for _, r := range list {
		ordered, days = append(ordered, r.Record), append(days, r.at.Sub(list[0].at).Hours()/24)
	}
	d, err := learn.Drift(ctx, s.Boat, s.Settings, ordered, days)
	if d != nil {
		out.LeftOut = append(out.LeftOut, d.LeftOut...)
	}
	switch {
	case errors.Is(err, learn.ErrFewRecords) && len(out.LeftOut) > 0:
		return nil, fmt.Errorf("%w; left out: %s", err, strings.Join(out.LeftOut, "; "))
	case err != nil:
		return nil, err
	}
	out.Tracks = d.Tracks
	for _, i := range d.Used {
		out.Records = append(out.Records, DriftRecord{list[i].Name, list[i].Hash, list[i].at})
	}
	for i := range out.Tracks { // days count from the first record that is used
		for k := range out.Tracks[i].Day {
			out.Tracks[i].Day[k] -= days[d.Used[0]]
		}
	}
	trials, err := s.trials(nil)
	if err != nil {
		return nil, err
	}
	for i := range out.Tracks {
		if err := d.FindReach(ctx, &out.Tracks[i], trials); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Date returns the day so many days after the first record.
func (d *Drifted) Date(days float64) time.Time {
	return d.Records[0].At.Add(time.Duration(days * 24 * float64(time.Hour)))
}

// Reaches returns in words when a value that moves reaches a limit; "": nobody can tell. layout is that of its dates.
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

// AtOnce returns in words between which records a value changed that changed at once; "": it did not, or nobody can tell. layout is that of its dates.
func (d *Drifted) AtOnce(t *learn.Track, layout string) string {
	if t.Step == 0 {
		return ""
	}
	return fmt.Sprintf("between %s and %s", d.Records[t.Step-1].At.Format(layout), d.Records[t.Step].At.Format(layout))
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
		Cause    string    `json:"cause"`
		Unit     string    `json:"unit"`
		Days     []float64 `json:"days"`
		Values   []float64 `json:"values"`
		Low      []float64 `json:"low"`
		High     []float64 `json:"high"`
		Chance   float64   `json:"by_chance"`
		Moved    bool      `json:"moved"`
		Like     []string  `json:"not_told_from"`
		Change   float64   `json:"change"`
		Least    float64   `json:"change_low"`
		Most     float64   `json:"change_high"`
		AtOnce   string    `json:"changed_at_once_before,omitempty"`
		Returned bool      `json:"returned,omitempty"`
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
		v := value{Key: t.Key, Cause: t.Cause, Returned: t.Returned, Change: t.Change, Least: t.ChangeLow, Most: t.ChangeHigh, Unit: siUnit(t.Unit), Days: t.Day, Values: t.Value, Low: t.Low, High: t.High, Chance: t.Chance, Moved: t.Moved, Like: append([]string{}, t.Like...), Pace: finite(t.Pace), PaceLow: finite(t.PaceLow), PaceHigh: finite(t.PaceHigh)}
		if t.Factor {
			v.Unit = "1"
		}
		if t.Step > 0 {
			v.AtOnce = d.Records[t.Step].At.Format(time.DateOnly)
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
