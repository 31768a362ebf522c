package profiles

import (
	"archive/tar"
	"bytes"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func export(t testing.TB, b *Book) []byte {
	t.Helper()
	var out bytes.Buffer
	done, err := b.Export(ctxOf(t), "petrel", &out)
	require.NoError(t, err)
	require.Equal(t, HashOf(out.Bytes()), done.Hash)
	require.EqualValues(t, out.Len(), done.Bytes)
	return out.Bytes()
}

func emptyBook(t testing.TB) *Book {
	t.Helper()
	b, err := Create(filepath.Join(t.TempDir(), "book"), Options{Now: (&clock{at: yardOpens.Add(time.Hour)}).now})
	require.NoError(t, err)
	return b
}

func TestExportAndImport(t *testing.T) {
	b, _ := yardWithHistory(t)
	file := export(t, b)
	assert.Equal(t, file, export(t, b), "the same content gives the same bytes")

	other := emptyBook(t)
	done, err := other.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.NoError(t, err)
	assert.Equal(t, &Transfer{Boat: "petrel", Hash: HashOf(file), Bytes: int64(len(file)), Versions: 4, Marks: 2, Kept: 3, Carried: []Carried{}}, done)
	before, err := b.List(t.Context(), "petrel")
	require.NoError(t, err)
	after, err := other.List(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, before, after)
	ours, err := b.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	theirs, err := other.Texts(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Equal(t, ours, theirs)
	for _, name := range []string{BoatFile, SettingsFile, continuesFile} { // the working files stand on the disk, as of the head
		assert.FileExists(t, filepath.Join(other.Dir(), "petrel", name))
	}
	r, err := other.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.Empty(t, r.Problems)

	again, err := other.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.NoError(t, err)
	assert.Zero(t, again.Versions+again.Marks+again.Kept, "nothing in it is new")

	// Work goes on at both ends, and comes together.
	saveCurrent(t, other, 300)
	saveCurrent(t, b, 310)
	_, err = b.Import(t.Context(), bytes.NewReader(export(t, other)), ImportOptions{})
	require.NoError(t, err)
	heads, err := b.heads(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, heads, 2)
}

func TestImportHealsWhatIsHurt(t *testing.T) {
	b, v := yardWithHistory(t)
	file := export(t, b)
	damage(t, versionFile(b, v[1]), "")
	require.NoError(t, os.Remove(versionFile(b, v[2])))
	damage(t, filepath.Join(b.Dir(), "petrel", keptDir, string(v[0].BoatFile().Hash)), "edited")
	var hurt *DamageError
	_, err := b.Export(t.Context(), "petrel", io.Discard)
	require.ErrorAs(t, err, &hurt, "what is handed over must be whole")
	_, err = b.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.NoError(t, err)
	r, err := b.Verify(t.Context(), "")
	require.NoError(t, err)
	assert.Empty(t, r.Problems)
}

func TestImportDoesNotMixTwoBoatsOfOneName(t *testing.T) {
	b, _ := yardWithHistory(t)
	stranger, c := newYard(t)
	c.set(yardOpens.Add(time.Minute))
	saveCurrent(t, stranger, 111)
	file := export(t, stranger)
	_, err := b.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.ErrorContains(t, err, "another boat")
	_, err = b.Import(t.Context(), bytes.NewReader(file), ImportOptions{Join: true})
	require.NoError(t, err)
	heads, err := b.heads(t.Context(), "petrel")
	require.NoError(t, err)
	assert.Len(t, heads, 2)
}

// entry is a file in a tar made by hand.
type entry struct {
	header  tar.Header
	content []byte
}

// unpack returns the files of an export to be changed, and pack makes one of them again.
func unpack(t *testing.T, file []byte) []entry {
	var entries []entry
	archive := tar.NewReader(bytes.NewReader(file))
	for {
		h, err := archive.Next()
		if err == io.EOF {
			return entries
		}
		require.NoError(t, err)
		content, err := io.ReadAll(archive)
		require.NoError(t, err)
		entries = append(entries, entry{*h, content})
	}
}

func pack(t *testing.T, entries []entry) []byte {
	var out bytes.Buffer
	archive := tar.NewWriter(&out)
	for _, e := range entries {
		e.header.Format = tar.FormatUnknown
		require.NoError(t, archive.WriteHeader(&e.header))
		_, err := archive.Write(e.content)
		require.NoError(t, err)
	}
	require.NoError(t, archive.Close())
	return out.Bytes()
}

// resign gives an export a manifest that fits its files, as somebody who means harm does.
func resign(entries []entry) []entry {
	m := manifest{Boat: "petrel", Files: int64(len(entries) - 1)}
	var names []string
	for _, e := range entries[1:] {
		names = append(names, e.header.Name)
		m.Bytes += e.header.Size
	}
	m.List = listHash(names)
	entries[0].content = m.encode()
	entries[0].header.Size = int64(len(entries[0].content))
	return entries
}

// Each of these is refused, and nothing at all is written, in the book or beside it.
func TestImportRefusesHostileFiles(t *testing.T) {
	source, versions := yardWithHistory(t)
	good := export(t, source)
	at := func(entries []entry, folder string) *entry {
		for i := range entries {
			if strings.HasPrefix(entries[i].header.Name, folder) {
				return &entries[i]
			}
		}
		t.Fatal("no such entry")
		return nil
	}
	renamed := func(name string) func([]entry) []entry {
		return func(e []entry) []entry {
			at(e, keptDir).header.Name = name
			return resign(e)
		}
	}
	for name, c := range map[string]struct {
		why    string
		change func([]entry) []entry
	}{
		"a path upwards":              {"is no name that a book gives to a file", renamed("../../../outside")},
		"a path upwards in a folder":  {"is no name that a book gives to a file", renamed("kept/../../../outside")},
		"an absolute path":            {"is no name that a book gives to a file", renamed("/tmp/outside")},
		"a path of Windows":           {"is no name that a book gives to a file", renamed(`kept\..\..\outside`)},
		"a drive of Windows":          {"is no name that a book gives to a file", renamed(`C:\outside`)},
		"a device of Windows":         {"is no name that a book gives to a file", renamed("kept/NUL")},
		"a working file":              {"is no name that a book gives to a file", renamed("settings.toml")},
		"git's own file":              {"is no name that a book gives to a file", renamed(".git/config")},
		"a name that drives a screen": {"is no name that a book gives to a file", renamed("kept/\x1b[2J")},
		"a link": {"not a plain file", func(e []entry) []entry {
			k := at(e, keptDir)
			k.header.Typeflag, k.header.Linkname, k.header.Size, k.content = tar.TypeSymlink, "/etc/passwd", 0, nil
			return resign(e)
		}},
		"a device": {"not a plain file", func(e []entry) []entry {
			k := at(e, keptDir)
			k.header.Typeflag, k.header.Size, k.content = tar.TypeFifo, 0, nil
			return resign(e)
		}},
		"edited kept file": {"not what was saved", func(e []entry) []entry { at(e, keptDir).content[0] ^= 1; return e }},
		"edited version":   {"not what was saved", func(e []entry) []entry { at(e, versionsDir).content[100] ^= 1; return e }},
		"another boat's version": {"is of the boat", func(e []entry) []entry {
			v := *versions[0]
			v.Boat = "bracken"
			content := v.encode()
			x := at(e, versionsDir)
			x.header.Name, x.header.Size, x.content = versionsDir+"/"+newStamp(v.Time, HashOf(content)).name, int64(len(content)), content
			return resign(e)
		}},
		"a version that drives a screen": {"control characters", func(e []entry) []entry {
			v := *versions[0]
			v.Author = "yard\x1b[2Jhand"
			content := v.encode()
			x := at(e, versionsDir)
			x.header.Name, x.header.Size, x.content = versionsDir+"/"+newStamp(v.Time, HashOf(content)).name, int64(len(content)), content
			return resign(e)
		}},
		"a version under another time": {"was renamed", func(e []entry) []entry {
			x := at(e, versionsDir)
			x.header.Name = versionsDir + "/" + newStamp(versions[0].Time.Add(-time.Hour), versions[0].Hash).name
			return resign(e)
		}},
		"a boat that leads away": {"boat name", func(e []entry) []entry {
			m := manifest{Boat: "../outside"}
			e[0].content = m.encode()
			e[0].header.Size = int64(len(e[0].content))
			return e
		}},
		"a missing parent":     {"refers to the version", func(e []entry) []entry { x := at(e, versionsDir); x.header.Name = ""; return resign(without(e)) }},
		"a missing kept file":  {"refers to the kept file", func(e []entry) []entry { x := at(e, keptDir); x.header.Name = ""; return resign(without(e)) }},
		"a file left out":      {"cut off or was changed", func(e []entry) []entry { x := at(e, marksDir); x.header.Name = ""; return without(e) }},
		"a file twice":         {"twice in the file", func(e []entry) []entry { return resign(sorted(append(e, e[1]))) }},
		"out of order":         {"out of order", func(e []entry) []entry { e[1], e[2] = e[2], e[1]; return resign(e) }},
		"a kept file too many": {"nothing refers to", func(e []entry) []entry { return resign(sorted(append(e, keptEntry("~")))) }},
		"no manifest":          {"does not start with", func(e []entry) []entry { return e[1:] }},
		"nothing in it":        {"no version in it", func(e []entry) []entry { return resign(e[:1]) }},
	} {
		t.Run(name, func(t *testing.T) {
			refuses(t, pack(t, c.change(unpack(t, good))), c.why)
		})
	}
	t.Run("cut off", func(t *testing.T) {
		for n := 0; n < len(good)-1024; n += 1 + len(good)/50 { // the last 1024 bytes are only tar's end mark
			refuses(t, good[:n], "")
		}
	})
	t.Run("not a tar", func(t *testing.T) { refuses(t, bytes.Repeat([]byte("quaybench "), 1000), "no export of quaybench") })
	t.Run("a sparse file that unfolds", func(t *testing.T) { refuses(t, sparseBomb(t, unpack(t, good)), "claims 1073741824 bytes") })
	t.Run("a size that is not there", func(t *testing.T) {
		file := bytes.Clone(good)
		// The size of the first file: 11 octal digits at offset 124 (POSIX.1-1988, ustar).
		copy(file[124:], "77777777777\x00")
		fixChecksum(file[:512])
		refuses(t, file, "claims 8589934591 bytes")
	})
}

func without(entries []entry) []entry {
	var left []entry
	for _, e := range entries {
		if e.header.Name != "" {
			left = append(left, e)
		}
	}
	return left
}

// sorted puts the files after the manifest in the order of names.
func sorted(entries []entry) []entry {
	slices.SortFunc(entries[1:], func(a, b entry) int { return strings.Compare(a.header.Name, b.header.Name) })
	return entries
}

func keptEntry(content string) entry {
	return entry{tar.Header{Typeflag: tar.TypeReg, Name: keptDir + "/" + string(HashOf([]byte(content))), Size: int64(len(content)), Mode: 0o444}, []byte(content)}
}

// sparseBomb returns an export with a file of a gigabyte that is all hole, in GNU's sparse format 1.0.
func sparseBomb(t *testing.T, entries []entry) []byte {
	var out bytes.Buffer
	archive := tar.NewWriter(&out)
	require.NoError(t, archive.WriteHeader(&entries[0].header))
	_, err := archive.Write(entries[0].content)
	require.NoError(t, err)
	// A map of one hole: no data regions but an empty one at the end.
	sparseMap := make([]byte, 512)
	copy(sparseMap, "1\n1073741824\n0\n")
	h := &tar.Header{Typeflag: tar.TypeReg, Name: keptDir + "/GNUSparseFile.0/x", Size: 512, Mode: 0o444, Format: tar.FormatPAX}
	require.NoError(t, archive.WriteHeader(h))
	_, err = archive.Write(sparseMap)
	require.NoError(t, err)
	require.NoError(t, archive.Close())
	// The writer refuses these records, so they are put in by hand: as a PAX header before the file.
	records := ""
	for _, r := range []string{"GNU.sparse.major=1", "GNU.sparse.minor=0", "GNU.sparse.name=" + keptDir + "/" + string(HashOf(nil)), "GNU.sparse.realsize=1073741824"} {
		records += paxRecord(r)
	}
	var pax bytes.Buffer
	head := tar.NewWriter(&pax)
	require.NoError(t, head.WriteHeader(&tar.Header{Typeflag: tar.TypeReg, Name: "PaxHeaders.0/x", Size: int64(len(records)), Mode: 0o644, Format: tar.FormatUSTAR}))
	_, err = head.Write([]byte(records))
	require.NoError(t, err)
	require.NoError(t, head.Flush())
	raw := pax.Bytes()
	raw[156] = tar.TypeXHeader
	fixChecksum(raw[:512])
	first := 512 + (len(entries[0].content)+511)/512*512
	return append(append(bytes.Clone(out.Bytes()[:first]), raw...), out.Bytes()[first:]...)
}

// fixChecksum sums up a header that was changed: six octal digits at offset 148, themselves counted as
// blanks (POSIX.1-1988, ustar).
func fixChecksum(header []byte) {
	copy(header[148:156], "        ")
	sum := 0
	for _, b := range header {
		sum += int(b)
	}
	copy(header[148:], fmt.Sprintf("%06o\x00 ", sum))
}

func paxRecord(r string) string {
	n := len(r) + 3
	for {
		s := strconv.Itoa(n) + " " + r + "\n"
		if len(s) == n {
			return s
		}
		n = len(s)
	}
}

// refuses tries an import in an empty book, and in one that has the boat.
func refuses(t *testing.T, file []byte, why string) {
	t.Helper()
	b := emptyBook(t)
	before := tree(t, filepath.Dir(b.Dir()))
	_, err := b.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
	require.Error(t, err)
	assert.ErrorContains(t, err, why)
	assert.Equal(t, Printable(err.Error()), err.Error())
	assert.Equal(t, before, tree(t, filepath.Dir(b.Dir())))
}

// tree lists all that is in a folder.
func tree(t testing.TB, dir string) []string {
	var all []string
	require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		all = append(all, path)
		return err
	}))
	return all
}

func FuzzImport(f *testing.F) {
	b, _ := newYard(f)
	saveCurrent(f, b, 240)
	saveCurrent(f, b, 250)
	f.Add(export(f, b))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, file []byte) {
		if _, err := checkExport(t.Context(), bytes.NewReader(file)); err != nil {
			require.Equal(t, Printable(err.Error()), err.Error())
			return
		}
		b := emptyBook(t)
		around := filepath.Dir(b.Dir())
		before := tree(t, around)
		_, err := b.Import(t.Context(), bytes.NewReader(file), ImportOptions{})
		if err != nil {
			require.Equal(t, Printable(err.Error()), err.Error())
			require.Equal(t, before, tree(t, around))
			return
		}
		r, err := b.Verify(t.Context(), "")
		require.NoError(t, err)
		require.Empty(t, r.Problems)
	})
}
