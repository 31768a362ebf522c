package quantity

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Error reports what is wrong with the text of a quantity or unit, and where.
type Error struct {
	Text   string // the whole text
	Offset int    // where the offending part starts, in bytes from the start of Text
	Reason string // what is wrong and what to write instead
}

func (e *Error) Error() string { return e.Reason }

// maxLength bounds the text of one quantity, in bytes.
const maxLength = 300

// Parse reads one quantity and checks that it is of the wanted kind:
//
//	14 mΩ
//	14 mΩ ± 10 %
//	14 mohm +/- 1.5 mohm, measured
//	14 mΩ, data sheet (page 3)
//
// The tolerance is a half-width, in per cent of the value or with a unit of its
// own; the provenance is data sheet, measured, estimated or example, with an optional note.
//
// Where °C is wanted the text is an absolute temperature, in °C or K. Where K is
// wanted it is a difference, in K only. Where rad/s is wanted, 1/min means
// revolutions per minute, as on rating plates; 1/s and Hz are refused since they
// could mean either. Where 1 is wanted, "0.92", "92 %" and "2.5:1" are read; where
// % is wanted, the sign must be there.
//
// Errors are *Error.
func Parse(text string, want Unit) (Value, error) {
	p := parser{text: text, want: want}
	v, err := p.parse()
	if err != nil {
		return Value{}, err
	}
	return v, nil
}

// WrittenUnit returns the unit in which a text states its value, "km/h" of "6 km/h ± 5 %, measured", where a number can be shown in it; the wanted unit otherwise.
func WrittenUnit(text, want string) string {
	p := parser{text: text, want: MustUnit(want)}
	p.skipSpace()
	if _, _, err := p.number(); err != nil {
		return want
	}
	p.skipSpace()
	at := p.pos
	u, ok, err := p.unit()
	if !ok || err != nil || u.dim != p.want.dim || u.absolute != p.want.absolute || strings.HasPrefix(text[at:p.pos], "/") {
		return want // 1/min where rad/s is wanted means revolutions
	}
	return text[at:p.pos]
}

type parser struct {
	text string
	pos  int
	want Unit
}

func (p *parser) fail(at int, format string, args ...any) error {
	return &Error{Text: p.text, Offset: at, Reason: fmt.Sprintf(format, args...)}
}

// example returns an example of what is wanted, built on a number the user wrote.
func (p *parser) example(number string) string {
	x, err := strconv.ParseFloat(strings.Replace(number, "−", "-", 1), 64)
	if si := p.want.toSI(x); err != nil || p.want.absolute && si < 0 || math.IsInf(si, 0) {
		number = "10"
	}
	if p.want.dim == (dimension{s: -1, rad: 1}) {
		return strconv.Quote(number + " rpm") // as people say it
	}
	return strconv.Quote(withUnit(number, p.want))
}

// toleranceExample returns an example of how the tolerance of what is wanted reads.
func (p *parser) toleranceExample() string {
	switch {
	case p.want.absolute:
		return "± 3 K"
	case p.want.dim == dimension{}:
		return "± 0.1"
	}
	return "± 20 %"
}

func (p *parser) skipSpace() {
	p.pos += len(p.rest()) - len(strings.TrimLeftFunc(p.rest(), unicode.IsSpace))
}

func (p *parser) rest() string { return p.text[p.pos:] }

func (p *parser) parse() (v Value, err error) {
	if err := p.checkCharacters(); err != nil {
		return v, err
	}
	p.skipSpace()
	if p.rest() == "" {
		return v, p.fail(0, "there is no value; write for example %s", p.example(""))
	}
	start := p.pos
	x, number, err := p.number()
	if err != nil {
		return v, err
	}
	p.skipSpace()
	x, unit, err := p.valueUnit(start, x, number)
	if err != nil {
		return v, err
	}
	v = Value{SI: unit.toSI(x), Given: true}
	if v.SI, err = p.sane(v.SI, start, number); err != nil {
		return v, err
	}
	if v.Tolerance, err = p.tolerance(v.SI, unit); err != nil {
		return v, err
	}
	v.Provenance, err = p.provenance()
	return v, err
}

// checkCharacters refuses what cannot be a quantity at all.
func (p *parser) checkCharacters() error {
	if len(p.text) > maxLength {
		return p.fail(0, "this text is too long for a quantity (more than %d bytes)", maxLength)
	}
	for i, r := range p.text {
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(p.text[i:]); n <= 1 {
				return p.fail(i, "this is not valid UTF-8 text")
			}
		}
		if unicode.IsControl(r) && r != '\t' {
			return p.fail(i, "the control character %q does not belong in a quantity", r)
		}
	}
	return nil
}

// number reads a decimal number and returns it with its text.
func (p *parser) number() (float64, string, error) {
	start, rest := p.pos, p.rest()
	n := 0
	digits := func() bool {
		before := n
		for n < len(rest) && rest[n] >= '0' && rest[n] <= '9' {
			n++
		}
		return n > before
	}
	sign := ""
	for _, s := range []string{"+", "-", "−"} {
		if strings.HasPrefix(rest, s) {
			sign, n = s, len(s)
		}
	}
	whole := digits()
	if n < len(rest) && rest[n] == '.' && !strings.HasPrefix(rest[n:], "..") {
		n++
		if !digits() && !whole {
			n--
		}
	}
	if n == len(sign) {
		return 0, "", p.notANumber(start)
	}
	// An e is an exponent only if digits follow, so that a unit may start with one.
	if mantissa := n; n < len(rest) && (rest[n] == 'e' || rest[n] == 'E') {
		n++
		if n < len(rest) && (rest[n] == '+' || rest[n] == '-') {
			n++
		}
		if !digits() {
			n = mantissa
		}
	}
	number := rest[:n]
	p.pos += n
	x, err := strconv.ParseFloat(strings.Replace(number, "−", "-", 1), 64)
	if errors.Is(err, strconv.ErrRange) {
		return 0, "", p.fail(start, "%s is too large", number)
	}
	if err != nil {
		return 0, "", p.notANumber(start)
	}
	return x, number, p.afterNumber(start, number)
}

// notANumber returns why the text at start is not a number.
func (p *parser) notANumber(start int) error {
	lower := strings.ToLower(strings.TrimLeft(p.text[start:], "+-−"))
	switch {
	case strings.HasPrefix(lower, "nan"), strings.HasPrefix(lower, "inf"), strings.HasPrefix(lower, "∞"):
		return p.fail(start, "a real number is wanted, not infinity or \"not a number\"; write for example %s", p.example(""))
	case strings.HasPrefix(lower, "±"), strings.HasPrefix(lower, "/-"):
		return p.fail(start, "the value before the tolerance is missing; write for example %s", p.example(""))
	}
	return p.fail(start, "%s is not a number; write for example %s", strconv.Quote(word(p.text[start:])), p.example(""))
}

// word returns the first word of s, for messages.
func word(s string) string {
	if i := strings.IndexFunc(s, func(r rune) bool { return unicode.IsSpace(r) || r == ',' }); i > 0 {
		return s[:i]
	}
	return s
}

// afterNumber refuses what people write behind a number by habit, with a clear word.
func (p *parser) afterNumber(start int, number string) error {
	rest := p.rest()
	trimmed := strings.TrimLeftFunc(rest, unicode.IsSpace)
	startsWithDigit := trimmed != "" && trimmed[0] >= '0' && trimmed[0] <= '9'
	switch {
	case rest == "":
		return nil
	case rest[0] == ',' && len(rest) > 1 && rest[1] >= '0' && rest[1] <= '9':
		return p.fail(p.pos, "write a decimal point instead of the comma, and no separators between thousands")
	case (rest[0] == 'x' || rest[0] == 'X') && strings.TrimLeft(number, "+-−") == "0":
		return p.fail(start, "hexadecimal numbers are not read; write a decimal number")
	case rest[0] == '_' || rest[0] == '\'':
		return p.fail(p.pos, "write the number without separators between its digits")
	case rest[0] == '.' && !strings.HasPrefix(rest, ".."):
		return p.fail(p.pos, "a number has only one decimal point")
	case startsWithDigit && len(trimmed) < len(rest) && !strings.HasPrefix(trimmed, "1/"):
		return p.fail(p.pos, "write the number without spaces between its digits")
	}
	for _, dash := range []string{"-", "–", "—", "−", "..", "…", "to "} {
		if strings.HasPrefix(trimmed, dash) {
			return p.fail(start, "this is a range; write one value with its tolerance, for example %s", strconv.Quote(withUnit("10", p.want)+" "+p.toleranceExample()))
		}
	}
	return nil
}

// unitEnd returns where the unit at the current position ends.
func (p *parser) unitEnd() int {
	end := len(p.text)
	for _, stop := range []string{"±", "+", ",", ";"} {
		if i := strings.Index(p.rest(), stop); i >= 0 {
			end = min(end, p.pos+i)
		}
	}
	if i := strings.IndexFunc(p.text[p.pos:end], unicode.IsSpace); i >= 0 {
		end = p.pos + i
	}
	return end
}

// unit reads a unit. An empty text gives ok = false.
func (p *parser) unit() (u Unit, ok bool, err error) {
	start, end := p.pos, p.unitEnd()
	if start == end {
		return u, false, nil
	}
	text := p.text[start:end]
	lead := 0
	if strings.HasPrefix(text, "/") { // "0.0039 /K" is read as 1/K
		text, lead = "1"+text, 1
	}
	u, err = ParseUnit(text)
	var bad *Error
	if errors.As(err, &bad) {
		return u, true, p.fail(max(start, start+bad.Offset-lead), "%s", bad.Reason)
	}
	p.pos = end
	return u, true, nil
}

// one is the unit of a plain ratio.
var one = MustUnit("1")

// valueUnit reads the unit of the value x and checks its kind. For a ratio it
// reads the second number too.
func (p *parser) valueUnit(start int, x float64, number string) (float64, Unit, error) {
	if strings.HasPrefix(p.rest(), ":") && p.want.dim == (dimension{}) {
		x, err := p.ratio(x)
		return x, one, err
	}
	at := p.pos
	unit, ok, err := p.unit()
	switch {
	case err != nil:
		return x, unit, err
	case !ok && p.want.ratio():
		return x, one, nil
	case !ok:
		return x, unit, p.fail(start, "%s has no unit; write for example %s", number, p.example(number))
	}
	unit, err = p.fit(unit, at, number)
	return x, unit, err
}

// ratio reads the ":1" of "2.5:1".
func (p *parser) ratio(x float64) (float64, error) {
	p.pos++
	p.skipSpace()
	at := p.pos
	second, _, err := p.number()
	if err != nil {
		return x, err
	}
	if second == 0 {
		return x, p.fail(at, "a ratio to 0 has no value; write for example \"2.5:1\"")
	}
	return x / second, nil
}

// fit returns the unit, adapted to what is wanted, or says why it does not fit.
func (p *parser) fit(unit Unit, at int, number string) (Unit, error) {
	want, written := p.want, number+" "+unit.text
	angular := want.dim == dimension{s: -1, rad: 1}
	switch {
	case angular && unit.dim == dimension{s: -1} && unit.minutes && unit.num/unit.den == 1.0/60:
		// Rating plates state speeds of rotation in 1/min (common practice, no source).
		unit.num *= 2 * math.Pi
		return unit, nil
	case angular && unit.dim == dimension{s: -1}:
		return unit, p.fail(at, "%s could mean radians or revolutions; write rad/s, rev/s, rpm or 1/min", written)
	case unit.absolute && want.dim == dimension{k: 1} && !want.absolute:
		return unit, p.fail(at, "%s is a temperature; write a temperature difference in K, for example %s", written, p.example(number))
	case want.Name() == "charge" && unit.Name() == "energy":
		return unit, p.fail(at, "%s is an energy: write it as the bank's energy, energy = %q in place of capacity, or divide it by the nominal voltage on the label and write the charge, for example %s", written, written, p.example("200"))
	case !unit.convertible(want):
		return unit, p.fail(at, "%s is %s; %s is wanted, for example %s", written, withArticle(unit.Name()), withArticle(want.Name()), p.example(number))
	case unit.minutes && want.dim.rad != 0:
		return unit, p.fail(at, "%s does not say whether radians or revolutions are meant; write rad or rev into the unit, for example %s", written, p.example(number))
	}
	return unit, nil
}

// sane refuses infinities and temperatures below absolute zero.
func (p *parser) sane(si float64, at int, number string) (float64, error) {
	switch {
	case math.IsInf(si, 0) || math.IsNaN(si):
		return si, p.fail(at, "%s is too large", number)
	case p.want.absolute && si < 0:
		return si, p.fail(at, "this is below absolute zero (-273.15 °C)")
	}
	return si, nil
}

// tolerance reads "± 10 %" or "+/- 1.5 mohm" if there is one, in SI.
func (p *parser) tolerance(si float64, unit Unit) (float64, error) {
	p.skipSpace()
	sign := ""
	for _, s := range []string{"±", "+/-", "+-", "+/−"} {
		if strings.HasPrefix(p.rest(), s) {
			sign = s
		}
	}
	if sign == "" {
		return 0, nil
	}
	p.pos += len(sign)
	p.skipSpace()
	start := p.pos
	if p.rest() == "" {
		return 0, p.fail(start, "the tolerance is missing after %s", sign)
	}
	x, number, err := p.number()
	if err != nil {
		return 0, err
	}
	if x < 0 || strings.ContainsAny(number[:1], "+-") {
		return 0, p.fail(start, "write the tolerance without a sign of its own")
	}
	p.skipSpace()
	at := p.pos
	share, ok, err := p.unit()
	ratio := p.want.dim == dimension{}
	var half float64
	switch {
	case err != nil:
		return 0, err
	case !ok && ratio:
		half = x
	case !ok:
		return 0, p.fail(start, "the tolerance %s has no unit; write for example %s", number, strconv.Quote(p.toleranceExample()))
	case share.percent() && ratio && unit.percent():
		return 0, p.fail(at, "a tolerance in %% of a value in %% can be read two ways; write it as a plain number, for example %s", strconv.Quote(p.toleranceExample()))
	case share.percent() && p.want.absolute:
		return 0, p.fail(at, "write the tolerance of a temperature in K, for example %s", strconv.Quote(p.toleranceExample()))
	case share.percent():
		half = math.Abs(si) * x / 100
	case share.absolute:
		return 0, p.fail(at, "write the tolerance of a temperature in K, for example %s", strconv.Quote(p.toleranceExample()))
	default:
		if share, err = p.fit(share, at, number); err != nil {
			return 0, err
		}
		half = share.toSI(x)
	}
	return p.sane(half, start, number)
}

// provenance reads ", measured" or ", data sheet (page 3)" if there is one.
func (p *parser) provenance() (string, error) {
	p.skipSpace()
	switch {
	case p.rest() == "":
		return "", nil
	case p.rest()[0] != ',':
		return "", p.fail(p.pos, "%s is not understood here; a quantity reads \"value unit ± tolerance, where it comes from\"", strconv.Quote(word(p.rest())))
	}
	p.pos++
	p.skipSpace()
	text := strings.TrimRightFunc(p.rest(), unicode.IsSpace)
	if OriginOf(text) != "" {
		return text, nil
	}
	return "", p.fail(p.pos, "after the comma comes where the value is from: data sheet, measured, estimated or example, with a note if you like, for example \"data sheet (page 3)\"")
}
