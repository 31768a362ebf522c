// Package learn turns records of one boat into values of its boat file: it finds the values under which the model repeats what was
// measured, with the file's own tolerances as the prior, and how sure each is.
//
// Every value with a tolerance takes part in every fit; holding some of them fixed makes the others surer than they are. A meter may be off by
// an offset and a gain, a corner of the lever may come early or late, single readings may be wrong, and a channel may stray slowly
// for reasons that the model does not hold: the size and the time of that come from the record. In the sense of statistics the result is the
// mode and the covariance of the posterior under normal laws (Gelman and others, Bayesian Data Analysis, chapter 4).
package learn

import (
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/trial"
)

// Unknown is a value that takes part in a fit. Its coordinate is a normal score: N(0, 1) before the records.
type Unknown = drive.Unknown

// chargeError is the half-width of the bank's charge when a record began, as a share of it (common practice, no source).
const chargeError = 0.06

// charge returns the bank's charge at a score, for a trial that states another.
func charge(t *trial.Trial, score float64) float64 {
	return max(0, min(1, t.Charge*(1+chargeError/2*score)))
}

// place returns the boat and the trial at a point of the unknowns and a score of the charge at the start.
func place(b *boat.Boat, t *trial.Trial, list []Unknown, z []float64, atStart float64) (*boat.Boat, *trial.Trial) {
	moved := *t
	moved.Charge = charge(t, atStart)
	return drive.Place(b, list, z), &moved
}
