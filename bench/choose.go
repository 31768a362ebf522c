package bench

import (
	"context"
	"encoding/json"

	"quaybench/bench/choose"
	"quaybench/bench/report"
	"quaybench/bench/trial"
)

// Chosen is the answer of Choose.
type Chosen struct {
	report.Chosen
	Boat string
}

// FollowTheCode stands beside whatever is to be bought.
const FollowTheCode = "Sizes are for the boat as its file has it. Follow the code that applies to your boat and the makers' tables: they count, not this list."

// Choose finds which sizes of the published series do for a part of the boat, a word of choose.Kinds, in the trials; none: all built-in ones.
func Choose(ctx context.Context, s *Setup, kind string, trials []*trial.Trial, o choose.Options, examples bool) (*Chosen, error) {
	if err := s.own(examples); err != nil {
		return nil, err
	}
	trials, err := s.trials(trials)
	if err != nil {
		return nil, err
	}
	list, err := choose.Find(ctx, s.Variant(), kind, trials, o)
	return &Chosen{report.Chosen{Choices: list, Follow: FollowTheCode}, s.Boat.Name}, err
}

// MarshalJSON writes the result, format 1.
func (c *Chosen) MarshalJSON() ([]byte, error) {
	return json.Marshal(map[string]any{"format": 1, "boat": c.Boat, "caution": Caution, "follow": c.Follow, "choices": c.Choices})
}

// Fits reports whether each part has a size that does.
func (c *Chosen) Fits() bool {
	for i := range c.Choices {
		if c.Choices[i].Chosen < 0 {
			return false
		}
	}
	return true
}
