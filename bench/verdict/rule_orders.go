package verdict

import (
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

var deratingOrder = Rule{
	Name:   "derating-order",
	Title:  "derating starts before it ends, and ends before the part is hurt",
	Source: "order of the law: the limits fall from start to end",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		d := &s.Derating
		out = append(crossed(s, "stage"), crossed(s, "motor")...)
		out = append(out, tooLate(&s, "stage", &d.StageStart, &d.StageEnd, "the heat sink's limit", b.Stage.SinkLimit.SI)...)
		switch d.MotorSensor {
		case "winding":
			out = append(out, tooLate(&s, "motor", &d.MotorStart, &d.MotorEnd, "the winding's limit", drive.WindingLimit(&b.Motor))...)
		case "housing":
			out = append(out, tooLate(&s, "motor", &d.MotorStart, &d.MotorEnd, "the motor housing's limit", b.Motor.HousingLimit.SI)...)
		}
		return out
	},
}

// tooLate finds a derating that takes the current away only once the part that its sensor sits on is hurt. limit is the part's, K.
func tooLate(s *settings.Set, group string, start, end *float64, name string, limit float64) (out []Finding) {
	if *start >= limit && *start < *end { // a crossed one is mended by its start already
		out = append(out, Finding{
			Level:  Close,
			Text:   quantity.Sentence("%s derating begins at %.0f °C, not below %s of %.0f °C: it does nothing before that is reached", group, *start-273.15, name, limit-273.15),
			Change: change(*s, s.Key(start), limit-max(5, *end-*start), "as far below "+name+" as it takes to end"),
		})
	}
	if *end > limit {
		out = append(out, Finding{
			Level:  Close,
			Text:   quantity.Sentence("%s derating ends at %.0f °C, above %s of %.0f °C", group, *end-273.15, name, limit-273.15),
			Change: change(*s, s.Key(end), limit, name),
		})
	}
	return out
}

var lowVoltageOrder = Rule{
	Name:   "low-voltage-order",
	Title:  "low-voltage derating starts, ends, and only then the controller cuts off, before management or the cells give up",
	Source: "order of the law; lowest cell voltages from the boat file",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		v := s.LowVoltage
		out = append(out, crossed(s, "low_voltage")...)
		opens := 0.0 // V, where management does
		if m := b.Battery.Management; m != nil {
			opens = m.CellLow.SI * float64(b.Battery.Cells)
		}
		if v.End <= v.CutOff {
			f := Finding{Level: Over, Text: quantity.Sentence("the cut-off at %.1f V comes before low-voltage derating has ended at %.1f V: the boat stops without warning", v.CutOff, v.End)}
			least := max(opens, lowestBank(b))
			if below := 0.98 * v.End; below > least {
				f.Change = change(s, s.Key(&s.LowVoltage.CutOff), below, "2 % below the end of derating")
			} else { // a cut-off so low comes too late: derating has to end sooner
				f.Change = change(s, s.Key(&s.LowVoltage.End), max(v.CutOff, 1.01*least)/0.98, "2 % above where the cut-off has to come")
			}
			out = append(out, f)
		}
		if b.Battery.Management != nil && v.CutOff <= opens {
			out = append(out, Finding{
				Level: Over, Text: quantity.Sentence("management opens at %.1f V, before the controller's cut-off at %.1f V: the contactor would open under load", opens, v.CutOff),
				Change: change(s, s.Key(&s.LowVoltage.CutOff), 1.01*opens, "1 % above management"),
			})
		}
		if f := belowCells(b, s); f != nil && v.CutOff > opens {
			out = append(out, *f)
		}
		if rest := restVoltage(b); v.Start >= rest {
			out = append(out, Finding{Level: Close, Text: quantity.Sentence("low-voltage derating starts at %.1f V, above the rest voltage of a half-full bank, %.1f V: the boat is never at full power", v.Start, rest)})
		}
		return out
	},
}

// belowCells finds a cut-off that comes only when the cells are below what they bear: settings of another bank, say.
func belowCells(b *boat.Boat, s settings.Set) *Finding {
	v, lowest := s.LowVoltage.CutOff, lowestBank(b)
	f := &Finding{Level: Over, Text: "the boat file's lowest cell voltage"}
	if !b.Battery.CellLowest.Given {
		f.Level = Close
		f.Text = "what cells of this chemistry bear under load (common practice, no source)"
	}
	if v >= lowest {
		return nil
	}
	f.Change = change(s, s.Key(&s.LowVoltage.CutOff), 1.01*lowest, "1 % above the cells' lowest")
	f.Text = quantity.Sentence("the cut-off at %.1f V comes too late for this bank of %d cells: %.1f V is %s", v, b.Battery.Cells, lowest, f.Text)
	return f
}

// lowestBank returns the voltage of the bank at which its cells are at the least they bear under load, V: by the file, else by their chemistry.
func lowestBank(b *boat.Boat) float64 {
	if b.Battery.CellLowest.Given {
		return float64(b.Battery.Cells) * b.Battery.CellLowest.SI
	}
	return float64(b.Battery.Cells) * b.Battery.Cell().Lowest
}

// crossed returns a finding for each crossed derating of a group.
func crossed(s settings.Set, group string) (out []Finding) {
	for _, c := range s.Crossings() {
		if c.Group == group {
			out = append(out, Finding{Level: Over, Text: c.Text, Change: change(s, c.Key, c.Value, c.Why)})
		}
	}
	return out
}

// restVoltage returns about the open-circuit voltage of the half-full bank, V: from the file's table, else of its chemistry.
func restVoltage(b *boat.Boat) float64 {
	n := float64(b.Battery.Cells)
	for _, row := range b.Battery.OCV {
		if row[0] >= 0.5 {
			return n * row[1]
		}
	}
	return n * b.Battery.Cell().Rest
}

var highVoltageOrder = Rule{
	Name:   "high-voltage-order",
	Title:  "high-voltage derating holds braking back before anything is hurt",
	Source: "order of the law; limits of controller and cells from the boat file",
	Check: func(b *boat.Boat, s settings.Set) (out []Finding) {
		if s.Limits.BrakingCurrent == 0 {
			return nil
		}
		v := s.HighVoltage
		full := HighestVoltage(b)
		if v.End == 0 {
			return []Finding{{
				Level: Close, Text: "braking is on without high-voltage derating: braking on a full battery drives its voltage up",
				Change: change(s, s.Key(&s.HighVoltage.End), full, "the bank's highest voltage"),
			}}
		}
		out = crossed(s, "high_voltage")
		most := min(full, b.Stage.VoltageLimit.SI)
		switch rest := restVoltage(b); {
		case v.End <= rest && rest < most:
			out = append(out, Finding{
				Level: Close, Text: quantity.Sentence("high-voltage derating ends at %.1f V, not above the rest voltage of a half-full bank, %.1f V: the boat does not brake while the bank is half full or fuller", v.End, rest),
				Change: change(s, s.Key(&s.HighVoltage.End), most, "what battery and controller bear"),
			})
		case v.Start < rest && v.End > rest:
			out = append(out, Finding{
				Level: Close, Text: quantity.Sentence("high-voltage derating starts at %.1f V, below the rest voltage of a half-full bank, %.1f V: the boat does not brake with its full limit while the bank is half full or fuller", v.Start, rest),
				Change: change(s, s.Key(&s.HighVoltage.Start), rest+0.75*(v.End-rest), "three quarters of the way from that to its end"),
			})
		}
		if v.End > most {
			out = append(out, Finding{
				Level: Over, Text: quantity.Sentence("high-voltage derating ends at %.1f V, above what battery and controller bear, %.1f V", v.End, most),
				Change: change(s, s.Key(&s.HighVoltage.End), most, "what battery and controller bear"),
			})
		}
		return out
	},
}
