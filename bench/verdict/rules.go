package verdict

import (
	"quaybench/bench/boat"
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
}

// Finding is what a rule found.
type Finding struct {
	Rule   string
	Level  Level
	Text   string
	Source string
	Change *Change // nil: no single setting mends it
}

// Change is a setting to change, and to what.
type Change struct {
	Key      string
	From, To string // with units
	Why      string
}

// Rules is the list of all static rules.
func Rules() []Rule {
	return []Rule{
		fuseAgainstCable, fuseBreaking, voltageRatings, fuseAgainstLimit, motorCable, stageCurrent, managementLimit,
		braking, coldCharging, deratingOrder, lowVoltageOrder, highVoltageOrder, contactorCarries, precharge, steadyDerating, reversal, stallTimer, neutralStart,
		dataNamePlate, dataMotorHeat, dataHeatCapacity, dataBattery, dataConductors, dataStage, dataPropeller, dataHull,
	}
}

// Static applies all static rules.
func Static(b *boat.Boat, s settings.Set) (findings []Finding) {
	for _, r := range Rules() {
		for _, f := range r.Check(b, s) {
			f.Rule, f.Source = r.Name, r.Source
			findings = append(findings, f)
		}
	}
	return findings
}

// change proposes a value for a setting, in its unit.
func change(s settings.Set, key string, si float64, why string) *Change {
	from, _ := s.Get(key)
	changed, err := s.WithNumber(key, si)
	if err != nil { // out of the parameter's range: then no setting mends it
		return nil
	}
	to, _ := changed.Get(key)
	return &Change{Key: key, From: from, To: to, Why: why}
}
