package bench

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Basis is what a verdict rests on: where the values of a boat's two files come from.
type Basis struct {
	Measured, DataSheet, Estimated int // values of the boat file by their word
	Unstated                       int // figures of the boat file that do not say where they come from
	LeftOut                        int // values that the boat file leaves to what follows from others, or to a default

	Examples []string // keys whose value is still the template's, those of the boat file first
	Changed  []string // those of them whose value is no longer the template's, though it says so
}

// basis counts the values of both files.
func basis(boatFile, settingsFile *datafile.Source) Basis {
	var b Basis
	for _, v := range boatFile.Stated() {
		switch v.Origin {
		case quantity.Measured:
			b.Measured++
		case quantity.DataSheet:
			b.DataSheet++
		case quantity.Estimated:
			b.Estimated++
		case "":
			// What the person chooses (a place, a circuit, a share) needs no source; a figure does.
			if k := v.Field.Kind; (k == datafile.KindQuantity || k == datafile.KindRows) && !strings.HasPrefix(v.Key, "close") {
				b.Unstated++
			}
		}
	}
	b.LeftOut = len(boatFile.LeftOut())
	for _, file := range []*datafile.Source{boatFile, settingsFile} {
		for _, v := range file.Stated() {
			if v.Origin != quantity.Example {
				continue
			}
			b.Examples = append(b.Examples, v.Key)
			if !sameAsExample(v) {
				b.Changed = append(b.Changed, v.Key)
			}
		}
	}
	return b
}

// sameAsExample reports whether a value is that of the template.
func sameAsExample(v datafile.Stated) bool {
	if v.Field.Kind != datafile.KindQuantity {
		plain := strings.NewReplacer(" ", "", "\n", "", "\t", "")
		return plain.Replace(v.Text) == plain.Replace(v.Field.Example)
	}
	unit := quantity.MustUnit(v.Field.Unit)
	is, err := quantity.Parse(strings.Trim(v.Text, `"'`), unit)
	was, err2 := quantity.Parse(strings.Trim(v.Field.Example, `"`), unit)
	return err == nil && err2 == nil && math.Abs(is.SI-was.SI) <= 1e-9*math.Abs(was.SI)
}

// String returns the sentence that counts: "12 measured, 40 from data sheets, 31 estimated, 38 left out, 0 examples".
func (b Basis) String() string {
	text := fmt.Sprintf("%d measured, %d from data sheets, %d estimated, %d left out, %d examples", b.Measured, b.DataSheet, b.Estimated, b.LeftOut, len(b.Examples))
	if len(b.Examples) == 1 {
		text = strings.TrimSuffix(text, "s")
	}
	if b.Unstated > 0 {
		text += fmt.Sprintf(", %d whose origin is not stated", b.Unstated)
	}
	return text
}

// Lines returns what a verdict rests on, in sentences.
func (b Basis) Lines() []string {
	out := []string{"It rests on the values of the boat file: " + b.String() + "."}
	if n := len(b.Changed); n > 0 {
		const most = 4
		named := strings.Join(b.Changed[:min(n, most)], ", ")
		if n > most {
			named += ", ..."
		}
		out = append(out, fmt.Sprintf("Changed, but still marked as example (%d): %s. Write where each comes from in place of the word.", n, named))
	}
	return out
}

// ExamplesError reports that nothing can be judged, since values are still those of the template.
type ExamplesError struct{ Keys []string }

func (e *ExamplesError) Error() string {
	const most = 3
	shown := strings.Join(e.Keys[:min(most, len(e.Keys))], ", ")
	if len(e.Keys) > most {
		shown += ", ..."
	}
	values := fmt.Sprintf("%d values are still the example's", len(e.Keys))
	if len(e.Keys) == 1 {
		values = "1 value is still the example's"
	}
	return fmt.Sprintf("%s (%s): put in your own, and say where each comes from", values, shown)
}

// NotJudged marks it, for who knows no package of ours, as no failure: there is no verdict.
func (e *ExamplesError) NotJudged() {}

// Own returns an *ExamplesError while values of the boat's files are still the template's, else nil.
func (s *Setup) Own() error {
	if len(s.Basis.Examples) == 0 {
		return nil
	}
	return &ExamplesError{s.Basis.Examples}
}

// own returns what Own does, and nil where examples are allowed.
func (s *Setup) own(examples bool) error {
	if examples {
		return nil
	}
	return s.Own()
}
