//go:build unix

package line

import (
	"os"
	"os/signal"
	"syscall"
	"time"
)

// suspend stops the job that this process belongs to, as the terminal itself would for Ctrl-Z, and returns when it goes on.
func suspend() {
	goesOn := make(chan os.Signal, 1)
	signal.Notify(goesOn, syscall.SIGCONT)
	defer signal.Stop(goesOn)
	if syscall.Kill(0, syscall.SIGTSTP) != nil {
		return
	}
	// Nothing stops where no shell could let it go on; then there is nothing to wait for.
	select {
	case <-goesOn:
	case <-time.After(100 * time.Millisecond):
	}
}
