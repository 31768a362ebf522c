package measure

import (
	"context"
	"fmt"
	"math"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
)

// Proof is what ProveTimeout saw.
type Proof struct {
	Command float64       // the smallest share of full throttle that showed
	Channel string        // where it showed
	Gone    time.Duration // after so long without a command it was gone
}

// ProveTimeout proves that the controller goes to zero by itself when commands cease: it commands the smallest share of full
// throttle that shows in the telemetry, 15 % at most, falls silent, and watches it go. fall is how long the
// controller's own ramp may take, s. It ends with a halt in any case where it fails; the controller must be opened again
// for a test after a failure.
func ProveTimeout(ctx context.Context, c link.Controller, clock port.Clock, fall float64) (proof Proof, err error) {
	d := c.Describe()
	if d.Throttle == nil {
		return proof, link.ErrNoThrottle
	}
	if d.Throttle.CommandTimeout <= 0 {
		return proof, fmt.Errorf("the register map states no command time-out of the controller's own: throttle over the line is refused")
	}
	defer func() {
		if err != nil {
			_ = c.Halt(context.WithoutCancel(ctx))
		}
	}()
	rest, err := c.ReadTelemetry(ctx)
	if err != nil {
		return proof, fmt.Errorf("the command time-out could not be proven: %w", err)
	}
	shows := func(values []float64) int {
		for i, ch := range d.Channels {
			if least := visible(ch.Name); least > 0 && math.Abs(values[i]-rest.Values[i]) > least {
				return i
			}
		}
		return -1
	}
	beat := d.Throttle.CommandTimeout / 4
	at := -1
	for share := 0.02; share <= 0.15 && at < 0; share += 0.01 {
		proof.Command = share
		for range 8 {
			if err := c.CommandThrottle(ctx, share); err != nil {
				return proof, fmt.Errorf("the command time-out could not be proven: %w", err)
			}
			if err := clock.Sleep(ctx, beat); err != nil {
				return proof, err
			}
		}
		now, err := c.ReadTelemetry(ctx)
		if err != nil {
			return proof, fmt.Errorf("the command time-out could not be proven: %w", err)
		}
		at = shows(now.Values)
	}
	if at < 0 {
		return proof, fmt.Errorf("the command time-out could not be proven: no command up to 15 %% shows in the telemetry; it needs demand, motor_current or motor_speed")
	}
	proof.Channel = d.Channels[at].Name
	silent := clock.Now()
	if err := clock.Sleep(ctx, d.Throttle.CommandTimeout); err != nil {
		return proof, err
	}
	for clock.Now().Sub(silent) < d.Throttle.CommandTimeout+time.Duration((fall+2)*float64(time.Second)) {
		now, err := c.ReadTelemetry(ctx)
		if err != nil {
			return proof, fmt.Errorf("the command time-out could not be proven: %w", err)
		}
		if math.Abs(now.Values[at]-rest.Values[at]) <= visible(proof.Channel) {
			proof.Gone = clock.Now().Sub(silent)
			return proof, c.CommandThrottle(ctx, 0)
		}
		if err := clock.Sleep(ctx, 50*time.Millisecond); err != nil {
			return proof, err
		}
	}
	return proof, fmt.Errorf("the controller went on for more than %v without a command, though its register map says it stops after %v: throttle over the line is refused",
		clock.Now().Sub(silent).Round(100*time.Millisecond), d.Throttle.CommandTimeout)
}

// visible is how much of a channel's change counts as an answer to a command.
func visible(channel string) float64 {
	k, _ := link.KindOf(channel)
	return k.Answer
}
