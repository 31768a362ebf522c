//go:build !unix

package port

import "errors"

// Pseudo needs a system with pseudo-terminals.
func Pseudo() (near Port, far string, err error) {
	return nil, "", errors.New("this system has no pseudo-terminals: use two ports and a null-modem cable")
}
