package bench

import (
	"context"
	"errors"
	"fmt"
	"io"

	"quaybench/bench/datafile"
	"quaybench/bench/holder"
	"quaybench/bench/measure"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// ServeScript serves a script that runs in another process, over two pipes: the script asks for programmes, and step runs them
// here, where the line is. The script may ask for other settings than s has (Script.With); step decides whether it can.
// Zero is the last command however the script's process ends; the error says what was wrong with it.
func ServeScript(ctx context.Context, from io.Reader, to io.Writer, s *Setup, step func(ctx context.Context, s *Setup, program *trial.Trial, rate float64) (*StepResult, error), o holder.Options) error {
	return holder.Serve(ctx, from, to, func(ctx context.Context, ask holder.Ask) (*holder.Answer, error) {
		if ask.Boat != s.BoatHash {
			return nil, fmt.Errorf("the script is about another boat than %s", s.BoatFile)
		}
		asked := *s
		for key, text := range ask.Settings {
			if now, _ := asked.Settings.Get(key); now == text {
				continue
			}
			var err error
			if asked.Settings, err = asked.Settings.With(key, text); err != nil {
				return nil, err
			}
		}
		r, err := step(ctx, &asked, ask.Trial, ask.Rate)
		if r == nil || r.Run == nil || r.Measured == nil {
			if err == nil {
				err = errors.New("there is no record")
			}
			return nil, err
		}
		return &holder.Answer{Record: r.Run, Predicted: r.Prediction.Run, Stop: r.Measured.Stop}, nil
	}, o)
}

// RunAtHolder returns the script's end of ServeScript: what ScriptHost.Run is in a process that has no line.
func RunAtHolder(c *holder.Child) func(ctx context.Context, s *Setup, program *trial.Trial, rate float64) (*StepResult, error) {
	return func(ctx context.Context, s *Setup, program *trial.Trial, rate float64) (*StepResult, error) {
		ask := holder.Ask{Boat: s.BoatHash, Settings: map[string]string{}, Programme: string(trial.Write(program)), Rate: rate}
		for _, f := range settings.Fields() {
			if f.Kind != datafile.KindGroup {
				ask.Settings[f.Key], _ = s.Settings.Get(f.Key)
			}
		}
		a, err := c.Run(ctx, ask)
		if err != nil {
			return nil, err
		}
		return resultOfAnswer(s, a)
	}
}

// resultOfAnswer returns an answer as the result that a step test in this process would have, without the samples, which are in the record.
func resultOfAnswer(s *Setup, a *holder.Answer) (*StepResult, error) {
	r := &StepResult{Setup: s, Run: a.Record, Measured: &measure.Result{Stop: a.Stop}, Prediction: &Prediction{Run: a.Predicted}}
	if a.Record == nil || a.Predicted == nil {
		return r, errors.New("the holder's answer lacks a record")
	}
	var err error
	if r.Prediction.Verdict, err = verdict.Judge(a.Predicted); err != nil {
		return r, err
	}
	if r.Verdict, err = verdict.Judge(a.Record); err != nil {
		return r, err
	}
	r.Differences, err = differences(a.Predicted, a.Record, s.Settings.Derating.MotorSensor)
	return r, err
}
