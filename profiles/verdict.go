package profiles

import (
	"encoding/json"
	"fmt"
)

// Result is the outcome of a trial as the book stores it.
type Result string

// The results, from best to worst. The zero Result means that nothing was tried.
const (
	Clear     Result = "clear"
	Close     Result = "close"
	NotJudged Result = "not judged"
	Over      Result = "over"
)

// MarshalJSON writes null where nothing was tried.
func (r Result) MarshalJSON() ([]byte, error) {
	if r == "" {
		return []byte("null"), nil
	}
	return json.Marshal(string(r))
}

func (r Result) rank() int {
	switch r {
	case Clear:
		return 1
	case Close:
		return 2
	case NotJudged:
		return 3
	case Over:
		return 4
	}
	return 0
}

// Verdict is what one trial said of a version, in the short form that the book keeps. The full record
// it rests on can be kept beside it.
type Verdict struct {
	Trial  string   `json:"trial" toml:"trial"`
	Result Result   `json:"result" toml:"result"`
	Part   string   `json:"part,omitempty" toml:"part"`     // the part that uses most of its limit
	Used   *float64 `json:"used" toml:"used"`               // share of that limit used, 1 being all of it; nil if there is none
	First  string   `json:"first,omitempty" toml:"first"`   // what acts first, empty if nothing
	Tool   string   `json:"tool" toml:"tool"`               // the tool's version that reached the verdict
	Record Hash     `json:"record,omitempty" toml:"record"` // of a kept file of RoleRecord
}

// WorstResult is the worst result among verdicts, empty if there is none.
func WorstResult(verdicts []Verdict) Result {
	var worst Result
	for _, v := range verdicts {
		if v.Result.rank() > worst.rank() {
			worst = v.Result
		}
	}
	return worst
}

// maxUsed is far beyond any share that means something; it keeps numbers short and finite.
const maxUsed = 1e6

func checkVerdicts(verdicts []Verdict, kept []Kept) error {
	if len(verdicts) > maxVerdicts {
		return fmt.Errorf("%d verdicts are more than the %d a version takes", len(verdicts), maxVerdicts)
	}
	for _, v := range verdicts {
		for _, err := range []error{
			checkLine("trial", v.Trial, maxLineBytes),
			checkOptionalLine("part", v.Part, maxLineBytes),
			checkOptionalLine("what acts first", v.First, maxLineBytes),
			checkLine("tool", v.Tool, maxLineBytes),
		} {
			if err != nil {
				return err
			}
		}
		if v.Result.rank() == 0 {
			return &InputError{Field: "result", Value: string(v.Result), Why: "is none of clear, close, not judged, over"}
		}
		if v.Used != nil && !(*v.Used >= 0 && *v.Used <= maxUsed) {
			return fmt.Errorf("used %g is not between 0 and %g", *v.Used, maxUsed)
		}
		if v.Record != "" && !keeps(kept, RoleRecord, v.Record) {
			return fmt.Errorf("the record %q of trial %q is not among the kept files", v.Record.Short(), v.Trial)
		}
	}
	return nil
}
