package hydro

import "fmt"

// WithAstern returns the propeller with its thrust in astern rotation scaled, so that at the bollard and the same shaft
// speed thrust astern is share (0 to 1) of thrust ahead, as a spring balance at the quay shows it. The scale holds in full
// at the bollard and fades to none where the shaft stands still, with cos²β; torque stays, since no such test measures it.
// Without it the four-quadrant tests decide. The error is a [*RangeError].
func (s *Screw) WithAstern(share float64) (*Screw, error) {
	if err := within("thrust astern over thrust ahead", share, 0.1, 1, "a fixed-pitch propeller at the bollard"); err != nil {
		return nil, fmt.Errorf("propeller astern: %w", err)
	}
	ahead, _ := s.Loads(1, 0, 1000)
	astern, _ := s.Loads(-1, 0, 1000)
	factor := share*ahead/-astern - 1
	out := *s
	out.all.fill(func(_ int, at *direction) (ct, cq float64) {
		ct, cq = s.all.at(at.beta)
		if at.cos < 0 {
			ct *= 1 + factor*at.cos*at.cos
		}
		return physical(at, ct, cq)
	})
	return &out, nil
}
