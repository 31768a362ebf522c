package verdict

import (
	"math"
	"strconv"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// Rule is a static rule: what must hold between boat and settings before anything runs.
type Rule struct {
	Name   string // stable
	Title  string
	Source string // where the rule comes from
	Check  func(b *boat.Boat, s settings.Set) []Finding
	// Note, if not nil, returns what is worth knowing although nothing is found; "" for nothing.
	Note func(b *boat.Boat, s settings.Set) string
	// Absent, if not nil, returns what the boat lacks, so that there is nothing to judge; "" where there is something.
	Absent func(b *boat.Boat, s settings.Set) string
}

// Clear returns what a rule says that finds nothing: its title, or what it had nothing to judge of.
func (r *Rule) Clear(b *boat.Boat, s settings.Set) string {
	if r.Absent != nil {
		if absent := r.Absent(b, s); absent != "" {
			return absent + ": nothing to judge"
		}
	}
	return r.Title
}

// Finding is what a rule found.
type Finding struct {
	Rule   string
	Level  Level
	Text   string
	Source string
	Mind   string  // what is worth knowing beside it; "" for nothing
	Change *Change // nil: no single setting mends it
}

// Change is a setting to change, and to what.
type Change struct {
	Key      string
	From, To string // with units
	Why      string
}

// Rules returns the list of all static rules.
func Rules() []Rule {
	return []Rule{
		fuseAgainstCable, fuseBreaking, voltageRatings, chargingVoltage, fuseAgainstLimit, motorCable, batteryCable, stageCurrent, managementLimit,
		braking, coldCharging, deratingOrder, lowVoltageOrder, highVoltageOrder, contactorCarries, precharge, steadyDerating, reversal, stallTimer, neutralStart,
		dataNamePlate, dataMotorHeat, dataHeatCapacity, dataBattery, dataConductors, dataFuse, dataProtection, dataStage, dataParts, dataPropeller, dataHull, dataLimits, dataCooling,
	}
}

// Static applies all static rules. A rule that finds nothing and yet has something to bear in mind gives a finding that is clear.
func Static(b *boat.Boat, s settings.Set) (findings []Finding) {
	for _, r := range Rules() {
		found := r.Check(b, s)
		if r.Note != nil {
			if note := r.Note(b, s); note != "" {
				if len(found) == 0 {
					found = []Finding{{Level: Clear, Text: r.Clear(b, s)}}
				}
				found[len(found)-1].Mind = note
			}
		}
		for _, f := range found {
			f.Rule, f.Source = r.Name, r.Source
			findings = append(findings, f)
		}
	}
	return findings
}

// change proposes a value for a setting, to four digits on its safer side; nil where none differs from the present one.
func change(s settings.Set, key string, si float64, why string) *Change {
	from, _ := s.Shown(key)
	changed, err := s.WithNumber(key, safer(key, si))
	if err != nil { // out of the parameter's range: then no setting mends it
		return nil
	}
	to, _ := changed.Shown(key)
	if to == from { // 5 % above an end of 0 V
		return nil
	}
	return &Change{Key: key, From: from, To: to, Why: why}
}

// safer rounds a value of a setting to four digits in its unit, to the safer side.
func safer(key string, si float64) float64 {
	p, ok := settings.ByKey(key)
	if !ok || si == 0 {
		return si
	}
	unit := quantity.MustUnit(quantity.ReaderUnit(p.Unit))
	x := unit.FromSI(si)
	scale := math.Pow(10, 3-math.Floor(math.Log10(math.Abs(x))))
	rounded := math.Floor(x*scale*(1+1e-12)) / scale
	if p.SaferMore {
		rounded = math.Ceil(x*scale*(1-1e-12)) / scale
	}
	q, err := quantity.Parse(strconv.FormatFloat(rounded, 'f', -1, 64)+" "+unit.String(), unit)
	if err != nil || math.Abs(x) < 1e-9 {
		return si
	}
	return q.SI
}
