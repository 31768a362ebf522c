package profiles

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"
	"time"
)

// Hash is the SHA-256 of a file's bytes, as 64 lower-case hexadecimal digits.
type Hash string

// shownDigits is how much of a hash is shown to a person: 32 bits tell the versions of a boat apart.
const shownDigits = 8

// Short is the start of the hash, as shown beside a version's number.
func (h Hash) Short() string { return string(h[:min(len(h), shownDigits)]) }

// HashOf is the hash under which the book keeps content.
func HashOf(content []byte) Hash {
	sum := sha256.Sum256(content)
	return Hash(hex.EncodeToString(sum[:]))
}

// valid tells whether h is a whole hash as this package writes it.
func (h Hash) valid() bool { return len(h) == 2*sha256.Size && isLowerHex(string(h)) }

func isLowerHex(s string) bool {
	for i := range len(s) {
		if c := s[i]; (c < '0' || c > '9') && (c < 'a' || c > 'f') {
			return false
		}
	}
	return true
}

var boatName = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,63}$`)

// deviceName matches the names Windows gives to devices in every folder.
var deviceName = regexp.MustCompile(`^(con|prn|aux|nul|com[0-9]|lpt[0-9])$`)

// CheckBoatName tells whether name may name a boat's folder on every system a book may be copied to:
// lower-case letters, digits, "-" and "_", 64 at most, and no device name of Windows.
func CheckBoatName(name string) error {
	switch {
	case deviceName.MatchString(name):
		return &InputError{Field: "boat name", Value: name, Why: "is the name of a device on Windows; choose another"}
	case !boatName.MatchString(name):
		return &InputError{Field: "boat name", Value: name, Why: `takes 1 to 64 lower-case letters, digits, "-" and "_", and starts with a letter or digit`}
	}
	return nil
}

// stampLayout writes a time so that names sort by it; no character in it troubles any file system.
const stampLayout = "20060102T150405.000000000Z"

const stampSuffix = ".toml"

// stamp is the name of a file written once: when, and the hash of what it holds.
type stamp struct {
	name string
	time string // in stampLayout
	hash Hash
}

func newStamp(t time.Time, h Hash) stamp {
	at := t.UTC().Format(stampLayout)
	return stamp{name: at + "-" + string(h) + stampSuffix, time: at, hash: h}
}

// parseStamp reads a file name; ok is false where it is not exactly one that newStamp writes.
func parseStamp(name string) (s stamp, ok bool) {
	rest, found := strings.CutSuffix(name, stampSuffix)
	if !found {
		return stamp{}, false
	}
	at, hash, found := strings.Cut(rest, "-")
	if !found || !Hash(hash).valid() {
		return stamp{}, false
	}
	t, err := time.Parse(stampLayout, at)
	if err != nil || checkTime(t) != nil {
		return stamp{}, false
	}
	s = newStamp(t, Hash(hash))
	return s, s.name == name
}

// checkTime refuses times that the name of a file cannot hold.
func checkTime(t time.Time) error {
	if y := t.UTC().Year(); y < 1970 || y > 9999 {
		return fmt.Errorf("the year %d is not between 1970 and 9999: set this machine's clock", y)
	}
	return nil
}
