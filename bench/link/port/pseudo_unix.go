//go:build unix

package port

import (
	"errors"
	"fmt"
	"os"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// Pseudo opens a pseudo-terminal and returns this end of it and the name under
// which another program (or [Open]) finds the far end. The far end stays there
// until the Port is closed, however often it is opened and closed by others.
//
// A pseudo-terminal has no baud rate: bytes arrive at once.
func Pseudo() (near Port, far string, err error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, "", fmt.Errorf("make a pseudo-terminal: %w", err)
	}
	defer master.Close() // the duplicate below takes its place
	fail := func(err error) (Port, string, error) {
		slave.Close()
		return nil, "", fmt.Errorf("set up the pseudo-terminal %s: %w", slave.Name(), err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		return fail(err) // or the terminal would echo and translate bytes
	}
	// pty.Open leaves the file in blocking mode, in which it has no deadlines.
	fd, err := unix.Dup(int(master.Fd()))
	if err != nil {
		return fail(err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		return fail(err)
	}
	file := &pseudoFile{File: os.NewFile(uintptr(fd), "pseudo-terminal"), slave: slave}
	return Over(file, slave.Name()), slave.Name(), nil
}

// pseudoFile keeps the far end open, so that reads don't fail while nobody
// else has it open.
type pseudoFile struct {
	*os.File
	slave *os.File
}

func (f *pseudoFile) Close() error { return errors.Join(f.File.Close(), f.slave.Close()) }
