//go:build slow

package drive

import "testing"

// TestJacobianSlow is TestJacobian at 5,000 states of every kind of boat.
func TestJacobianSlow(t *testing.T) { walkJacobian(t, 5000) }
