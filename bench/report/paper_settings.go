package report

import (
	"fmt"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// settings writes the section with all settings, and how they differ from the approved version and the proposal.
func (p *Paper) settings(d *document) {
	intro := p.NoApproval
	if a := p.Approved; a != nil {
		n := len(settings.Differing(p.Settings, a.Settings))
		what := fmt.Sprintf("%d settings differ from it", n)
		switch n {
		case 0:
			what = "the settings are those of it"
		case 1:
			what = "one setting differs from it"
		}
		intro = fmt.Sprintf("Approved last: version %s, by %s on %s; %s.", a.Version, a.By, a.When.Format("2 January 2006"), what)
		if a.Despite != "" {
			intro += " It was approved although its verdict was over: " + a.Despite
		}
	}
	s := d.section("settings", "Settings", intro)
	s.Break = true
	t := &table{Columns: []column{{Title: "setting", Wide: 2.2}, {Title: "present", Right: true}}}
	if p.Proposal != nil {
		t.Columns = append(t.Columns, column{Title: "proposed", Right: true})
	}
	if p.Approved != nil {
		t.Columns = append(t.Columns, column{Title: "approved", Right: true})
	}
	t.Columns = append(t.Columns, column{Title: "what it is", Wide: 4})
	for _, f := range settings.Fields() {
		if f.Kind == datafile.KindGroup || f.Kind == datafile.KindGroups {
			continue
		}
		now, _ := p.Settings.Get(f.Key)
		cells := words(f.Key, settingText(p.Settings, f))
		differs := false
		other := func(set *settings.Set) {
			if set == nil {
				return
			}
			text, _ := set.Get(f.Key)
			c := cell{Text: settingText(*set, f)}
			if text != now {
				c.Text, c.Bold, differs = "≠ "+c.Text, true, true
			}
			cells = append(cells, c)
		}
		other(p.Proposal)
		if p.Approved != nil {
			other(&p.Approved.Settings)
		}
		cells = append(cells, cell{Text: f.Doc})
		cells[0].Bold = differs
		t.Rows = append(t.Rows, row{Cells: cells})
	}
	s.add(block{Table: t})
}

// settingText returns a setting as it is shown: in the reader's unit, and with no more digits than count.
func settingText(s settings.Set, f datafile.Field) string {
	text, _ := s.Get(f.Key)
	v, ok := s.Number(f.Key)
	if !ok || f.Kind != datafile.KindQuantity {
		return text
	}
	const digits = 8 // of the longest number anybody writes
	switch {
	case f.ReaderUnit() != f.Unit:
		return statedText(quantity.Exactly(v), f)
	case len(text) > digits+len(f.Unit)+1:
		return quantity.FormatStated(v, f.Unit)
	}
	return text
}
