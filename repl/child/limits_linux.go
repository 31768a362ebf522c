package child

import (
	"fmt"
	"os"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// restrict asks the system to hold the process to its limits, behind what the
// interpreter watches itself.
func restrict(l Limits) error {
	if err := limitCPU(l); err != nil {
		return err
	}
	// Go reserves address space ahead of use, and collecting garbage takes
	// some; so the limit counts from what is reserved already.
	reserved, err := addressSpace()
	if err != nil {
		return err
	}
	if err := setLimit(unix.RLIMIT_AS, reserved+2*l.Memory+2*l.Stack+256<<20, 0); err != nil {
		return err
	}
	return setLimit(unix.RLIMIT_CORE, 0, 0)
}

// addressSpace returns the size of the process's address space in bytes.
func addressSpace() (uint64, error) {
	data, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		return 0, fmt.Errorf("reading the size of the process: %w", err)
	}
	first, _, _ := strings.Cut(string(data), " ")
	pages, err := strconv.ParseUint(first, 10, 64)
	if err != nil {
		return 0, fmt.Errorf("reading the size of the process: %w", err)
	}
	return pages * uint64(os.Getpagesize()), nil
}
