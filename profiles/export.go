package profiles

import (
	"archive/tar"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"slices"
	"strings"
)

// An export is one boat in one tar file (POSIX ustar, not compressed): export.toml, then the boat's
// files written once under the names they have in the book, in the order of names: kept, marks,
// versions. Names are hashes, so the hash of the list of names in export.toml covers every byte.

const manifestName = "export.toml"

// manifest is what export.toml says of the files after it.
type manifest struct {
	Format int
	Boat   string
	Files  int64
	Bytes  int64
	List   Hash
}

func (m *manifest) encode() []byte {
	var e encoder
	e.comment("One boat of a quaybench book. Take it up with: quaybench profile import FILE")
	e.integer("format", stampedFormat)
	e.line("boat", m.Boat)
	e.integer("files", m.Files)
	e.integer("bytes", m.Bytes)
	e.line("list", string(m.List))
	return e.out
}

func parseManifest(content []byte) (*manifest, error) {
	var m manifest
	if err := readTOML(content, &m, &m.Format); err != nil {
		return nil, err
	}
	if err := CheckBoatName(m.Boat); err != nil {
		return nil, err
	}
	if !m.List.valid() || !bytes.Equal(m.encode(), content) {
		return nil, errNotCanonical
	}
	return &m, nil
}

// listHash is the hash over the names of an export's files.
func listHash(names []string) Hash { return HashOf([]byte(strings.Join(names, "\n"))) }

// Transfer is what an export holds, or an import brought.
type Transfer struct {
	Boat     string `json:"boat"`
	Hash     Hash   `json:"hash"` // of the whole file: the giver and the taker can compare it
	Bytes    int64  `json:"bytes"`
	Versions int    `json:"versions"`
	Marks    int    `json:"marks"`
	Kept     int    `json:"kept"`
}

func (t *Transfer) count(name string) {
	switch folder, _, _ := strings.Cut(name, "/"); folder {
	case versionsDir:
		t.Versions++
	case marksDir:
		t.Marks++
	case keptDir:
		t.Kept++
	}
}

// Export writes all versions of a boat, its marks, and what they rest on as one file. The same content
// gives the same bytes. Everything is checked on the way; after an error what was written to w is
// unfinished and good for nothing.
func (b *Book) Export(ctx context.Context, boat string, w io.Writer) (*Transfer, error) {
	f, versions, err := b.openVersions(ctx, boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	defer versions.close()
	files, err := f.exported(ctx, versions)
	if err != nil {
		return nil, fmt.Errorf("export %s: %w", boat, err)
	}
	sum := sha256.New()
	out := &countingWriter{to: io.MultiWriter(w, sum)}
	t := &Transfer{Boat: boat}
	archive := tar.NewWriter(out)
	m := manifest{Boat: boat, Files: int64(len(files))}
	var names []string
	for _, file := range files {
		m.Bytes += file.size
		names = append(names, file.name)
		t.count(file.name)
	}
	m.List = listHash(names)
	head := m.encode()
	err = archive.WriteHeader(tarHeader(manifestName, int64(len(head))))
	if err == nil {
		_, err = archive.Write(head)
	}
	for _, file := range files {
		if err == nil {
			err = f.exportFile(ctx, archive, file)
		}
	}
	if err == nil {
		err = archive.Close()
	}
	if err != nil {
		return nil, fmt.Errorf("export %s: %w", boat, err)
	}
	t.Bytes = out.n
	t.Hash = Hash(hex.EncodeToString(sum.Sum(nil)))
	return t, nil
}

func tarHeader(name string, size int64) *tar.Header {
	return &tar.Header{Typeflag: tar.TypeReg, Name: name, Size: size, Mode: 0o444, Format: tar.FormatUSTAR}
}

// exportedFile is a file of the boat with the hash its name promises.
type exportedFile struct {
	name string // "kept/..."
	size int64
	hash Hash
}

// exported lists the files of an export in order. A damaged one is an error: what is handed over must
// be whole.
func (f *folder) exported(ctx context.Context, versions *shelf) ([]exportedFile, error) {
	all, hurt, err := versions.versions(ctx, nil)
	if err != nil {
		return nil, err
	}
	marks, markProblems, err := f.marks(ctx, versions.boat)
	if err != nil {
		return nil, err
	}
	for _, p := range append(hurt, markProblems...) {
		if p.Hurt {
			return nil, &DamageError{p}
		}
	}
	if len(all) == 0 {
		return nil, &NotFoundError{What: "version", Name: "of " + versions.boat}
	}
	stamps := map[string]Hash{}
	kept := map[Hash]bool{}
	for _, v := range all {
		stamps[versionsDir+"/"+newStamp(v.Time, v.Hash).name] = v.Hash
		for _, k := range v.Kept {
			kept[k.Hash] = true
		}
	}
	for _, m := range marks {
		stamps[marksDir+"/"+newStamp(m.Time, m.Hash).name] = m.Hash
		for _, k := range m.Kept {
			kept[k.Hash] = true
		}
	}
	for h := range kept {
		stamps[keptDir+"/"+string(h)] = h
	}
	var files []exportedFile
	for name, h := range stamps {
		info, err := f.root.Lstat(name)
		if err != nil {
			return nil, &DamageError{Problem{Path: f.at(name), Hash: h, What: err.Error(), Hurt: true}}
		}
		files = append(files, exportedFile{name: name, size: info.Size(), hash: h})
	}
	slices.SortFunc(files, func(a, b exportedFile) int { return cmp.Compare(a.name, b.name) })
	return files, nil
}

func (f *folder) exportFile(ctx context.Context, archive *tar.Writer, file exportedFile) error {
	in, _, err := f.open(file.name, maxKeptBytes)
	if err != nil {
		return err
	}
	defer in.Close()
	if err := archive.WriteHeader(tarHeader(file.name, file.size)); err != nil {
		return err
	}
	have, _, err := copyHashed(ctx, archive, in)
	if err == nil && have != file.hash {
		err = &DamageError{Problem{Path: f.at(file.name), Hash: file.hash, What: errHashDiffers.Error(), Hurt: true}}
	}
	return err
}

type countingWriter struct {
	to io.Writer
	n  int64
}

func (c *countingWriter) Write(p []byte) (int, error) {
	n, err := c.to.Write(p)
	c.n += int64(n)
	return n, err
}
