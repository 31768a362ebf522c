package slcan

import (
	"bytes"
	"fmt"
	"strconv"
)

// Frame is one CAN frame (ISO 11898-1, classical).
type Frame struct {
	ID       uint32 // 11 bits, or 29 where Extended
	Extended bool
	Remote   bool // asks for data and has none
	Data     []byte
}

// String shows it as the rest of the trade does: 601#4018100100000000.
func (f Frame) String() string {
	if f.Extended {
		return fmt.Sprintf("%08X#%X", f.ID, f.Data)
	}
	return fmt.Sprintf("%03X#%X", f.ID, f.Data)
}

// The highest identifiers.
const (
	maxStandard = 1<<11 - 1
	maxExtended = 1<<29 - 1
)

// MaxData is how many bytes a frame carries at most.
const MaxData = 8

// line returns the frame as the protocol has it, with the CR.
func (f Frame) line() []byte {
	letter, digits := byte('t'), 3
	if f.Extended {
		letter, digits = 'T', 8
	}
	if f.Remote {
		letter -= 't' - 'r'
		return fmt.Appendf(nil, "%c%0*X0\r", letter, digits, f.ID)
	}
	return fmt.Appendf(nil, "%c%0*X%d%X\r", letter, digits, f.ID, len(f.Data), f.Data)
}

// parseFrame reads a line without its end; a time stamp of four digits may follow the data.
func parseFrame(line []byte) (f Frame, ok bool) {
	digits, highest := 3, uint64(maxStandard)
	switch line[0] {
	case 'T', 'R':
		f.Extended, digits, highest = true, 8, maxExtended
	}
	f.Remote = line[0] == 'r' || line[0] == 'R'
	line = line[1:]
	if len(line) < digits+1 {
		return f, false
	}
	id, err := strconv.ParseUint(string(line[:digits]), 16, 32)
	length := int(line[digits]) - '0'
	if err != nil || id > highest || length < 0 || length > MaxData {
		return f, false
	}
	f.ID, line = uint32(id), line[digits+1:]
	if f.Remote {
		length = 0
	}
	if len(line) != 2*length && len(line) != 2*length+4 {
		return f, false
	}
	f.Data = make([]byte, length)
	for i := range f.Data {
		if f.Data[i], ok = hexByte(line[2*i:]); !ok {
			return f, false
		}
	}
	for _, b := range line[2*length:] {
		if _, ok := hexDigit(b); !ok {
			return f, false
		}
	}
	return f, true
}

func hexByte(two []byte) (b byte, ok bool) {
	high, ok1 := hexDigit(two[0])
	low, ok2 := hexDigit(two[1])
	return high<<4 | low, ok1 && ok2
}

func hexDigit(b byte) (byte, bool) {
	switch {
	case b >= '0' && b <= '9':
		return b - '0', true
	case b >= 'A' && b <= 'F':
		return b - 'A' + 10, true
	case b >= 'a' && b <= 'f':
		return b - 'a' + 10, true
	}
	return 0, false
}

// splitter cuts bytes, however they come, into lines at CR and BEL. A LF behind a CR, which home-built adapters send, is
// skipped.
type splitter struct {
	line []byte
	over bool // longer than any line: thrown away up to its end
}

// maxLine is longer than the longest line, T with 8 bytes and a time stamp (30).
const maxLine = 64

const bell = '\a'

// feed hands each whole line to emit, with the byte that ended it; cut says that it was too long.
func (s *splitter) feed(data []byte, emit func(line []byte, end byte, cut bool)) {
	for len(data) > 0 {
		i := bytes.IndexAny(data, "\r\a")
		part := data
		if i >= 0 {
			part = data[:i]
		}
		for _, b := range part {
			switch {
			case b == '\n' && len(s.line) == 0:
			case len(s.line) == maxLine:
				s.over = true
			default:
				s.line = append(s.line, b)
			}
		}
		if i < 0 {
			return
		}
		emit(s.line, data[i], s.over)
		s.line, s.over = s.line[:0], false
		data = data[i+1:]
	}
}
