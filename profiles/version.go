package profiles

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/pelletier/go-toml/v2"
)

// Version is one saved profile of a boat. It is never changed.
type Version struct {
	Boat   string `json:"boat"`
	Hash   Hash   `json:"hash"`   // of the version's file
	Number int    `json:"number"` // 1 for v1, ...: its place in the order of time; may shift when versions are copied in

	Time     time.Time `json:"time"`           // never before its parents'
	Clock    time.Time `json:"clock,omitzero"` // what the machine's clock said, where that was before a parent's time
	Author   string    `json:"author"`
	Reason   string    `json:"reason"`
	Tool     string    `json:"tool"`               // the tool's version that saved it
	Parents  []Hash    `json:"parents"`            // what it continues: none for the first, several where heads were joined
	Restores Hash      `json:"restores,omitempty"` // the older version whose content it brings back
	// Seen are the tips of the boat's entries when it was saved, marks included; nil in a version from before the chain.
	Seen []Hash `json:"seen"`

	Result   Result    `json:"result"` // the worst of the verdicts, empty if nothing was tried
	Verdicts []Verdict `json:"verdicts"`
	Kept     []Kept    `json:"kept"`
	Settings string    `json:"settings,omitempty"` // the text of settings.toml; empty in a Listing
}

// BoatFile is the kept boat file of the version.
func (v *Version) BoatFile() Kept {
	for _, k := range v.Kept {
		if k.Role == RoleBoat {
			return k
		}
	}
	return Kept{}
}

// The formats of versions and marks: in the first they name no tips.
const (
	unchainedFormat = 1
	stampedFormat   = 2
)

func formatOf(seen []Hash) int64 {
	if seen == nil {
		return unchainedFormat
	}
	return stampedFormat
}

// checkSeen checks the tips of an entry against its format.
func checkSeen(format int, seen []Hash) ([]Hash, error) {
	if format == unchainedFormat {
		if seen != nil {
			return nil, errNotCanonical
		}
		return nil, nil
	}
	if len(seen) > maxSeen {
		return nil, fmt.Errorf("%d tips are more than the %d an entry names", len(seen), maxSeen)
	}
	for i, h := range seen {
		if !h.valid() || i > 0 && h <= seen[i-1] {
			return nil, fmt.Errorf("seen %q is not a hash, or out of order", Printable(string(h)))
		}
	}
	return listed(seen), nil
}

func (v *Version) encode() []byte {
	e := encoder{out: make([]byte, 0, 1024+len(v.Settings))}
	e.comment("A version in a quaybench book. It is never changed: its name is its time and the SHA-256 of these bytes.")
	e.integer("format", formatOf(v.Seen))
	e.line("boat", v.Boat)
	e.time("time", v.Time)
	if !v.Clock.IsZero() {
		e.time("clock", v.Clock)
	}
	e.line("author", v.Author)
	e.line("reason", v.Reason)
	e.line("tool", v.Tool)
	e.hashes("parents", v.Parents)
	e.optional("restores", string(v.Restores))
	e.seen(v.Seen)
	e.verdicts(v.Verdicts)
	e.kept(v.Kept)
	e.table("[settings]")
	e.text("text", v.Settings)
	return e.out
}

// parseVersion reads a version's file. Only what encode writes is accepted, so whatever is read is
// within the limits and safe to show.
func parseVersion(content []byte) (*Version, error) {
	var file struct {
		Format   int
		Boat     string
		Time     time.Time
		Clock    time.Time
		Author   string
		Reason   string
		Tool     string
		Parents  []Hash
		Restores Hash
		Seen     []Hash
		Verdict  []Verdict
		Kept     []Kept
		Settings struct{ Text string }
	}
	if err := readTOML(content, &file, &file.Format); err != nil {
		return nil, err
	}
	v := &Version{
		Boat: file.Boat, Time: file.Time, Clock: file.Clock,
		Author: file.Author, Reason: file.Reason, Tool: file.Tool,
		Parents: listed(file.Parents), Restores: file.Restores,
		Verdicts: listed(file.Verdict), Kept: file.Kept, Settings: file.Settings.Text,
		Hash: HashOf(content), Result: WorstResult(file.Verdict),
	}
	var err error
	if v.Seen, err = checkSeen(file.Format, file.Seen); err != nil {
		return nil, err
	}
	if err := v.check(); err != nil {
		return nil, err
	}
	if !bytes.Equal(v.encode(), content) {
		return nil, errNotCanonical
	}
	return v, nil
}

var errNotCanonical = errors.New("it is not written as quaybench writes it")

// readTOML decodes a file that is written once; format is where its format number goes.
func readTOML(content []byte, file any, format *int) error {
	if len(content) > maxStampedBytes {
		return fmt.Errorf("it is larger than %d bytes", maxStampedBytes)
	}
	if err := toml.Unmarshal(content, file); err != nil {
		return errors.New(Printable(err.Error()))
	}
	if *format != unchainedFormat && *format != stampedFormat {
		return formatError(*format)
	}
	return nil
}

// check tells whether the version may be written, or used after reading.
func (v *Version) check() error {
	for _, err := range []error{
		CheckBoatName(v.Boat),
		checkTime(v.Time),
		checkLine("author", v.Author, maxLineBytes),
		checkLine("reason", v.Reason, maxProseBytes),
		checkLine("tool", v.Tool, maxLineBytes),
		checkText(SettingsFile, v.Settings, maxSettingsBytes),
		checkKept(v.Kept),
		checkVerdicts(v.Verdicts, v.Kept),
	} {
		if err != nil {
			return err
		}
	}
	if !v.Clock.IsZero() {
		if err := checkTime(v.Clock); err != nil {
			return err
		}
	}
	if len(v.Parents) > maxParents {
		return fmt.Errorf("%d parents are more than the %d a version takes", len(v.Parents), maxParents)
	}
	for i, p := range v.Parents {
		if !p.valid() || slices.Contains(v.Parents[:i], p) {
			return fmt.Errorf("parent %q is not a hash, or named twice", Printable(string(p)))
		}
	}
	if v.Restores != "" && !v.Restores.valid() {
		return fmt.Errorf("restores %q, which is not a hash", Printable(string(v.Restores)))
	}
	boats := 0
	for _, k := range v.Kept {
		if k.Role == RoleBoat {
			boats++
		}
	}
	if boats != 1 {
		return fmt.Errorf("it keeps %d boat files, not one", boats)
	}
	return nil
}
