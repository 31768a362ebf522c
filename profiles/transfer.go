package profiles

import (
	"archive/tar"
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"
)

// An export is one boat in one tar file (POSIX ustar, not compressed): export.toml, then the boat's
// maps of the controller and journal, if it has them, under carried, then its files written once under the names
// they have in the book, in the order of names: kept, marks, versions. Those names are hashes, and
// export.toml holds the hashes of the carried files, so with the hash of the list of names it covers
// every byte.

// ExportSuffix is what the name of an export ends with.
const ExportSuffix = ".quaybook"

const (
	manifestName = "export.toml"
	carriedDir   = "carried"
)

// carriedFiles are the files in a boat's folder that belong to its controller and are handed over with the boat.
var carriedFiles = []string{JournalFile, ObjectMapFile, MapFile} // in the order of their names

// carried is a file handed over beside what is written once.
type carried struct {
	Name  string
	Bytes int64
	Hash  Hash
}

// The formats of an export: in the first it carries no map and no journal.
const (
	plainExport    = 1
	carryingExport = 2
)

// manifest is what export.toml says of the files after it.
type manifest struct {
	Format  int
	Boat    string
	Files   int64
	Bytes   int64
	List    Hash
	Carried []carried
}

func (m *manifest) encode() []byte {
	var e encoder
	e.comment("One boat of a quaybench book. Take it up with: quaybench profile import FILE")
	format := int64(plainExport)
	if len(m.Carried) > 0 {
		format = carryingExport
	}
	e.integer("format", format)
	e.line("boat", m.Boat)
	e.integer("files", m.Files)
	e.integer("bytes", m.Bytes)
	e.line("list", string(m.List))
	for _, c := range m.Carried {
		e.table("[[carried]]")
		e.line("name", c.Name)
		e.integer("bytes", c.Bytes)
		e.line("hash", string(c.Hash))
	}
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
	for i, c := range m.Carried {
		if !slices.Contains(carriedFiles, c.Name) || i > 0 && c.Name <= m.Carried[i-1].Name || !c.Hash.valid() || c.Bytes < 0 || c.Bytes > maxKeptBytes {
			return nil, fmt.Errorf("the carried file %q is none that an export has", Printable(c.Name))
		}
	}
	if !m.List.valid() || !bytes.Equal(m.encode(), content) {
		return nil, errNotCanonical
	}
	return &m, nil
}

// listHash returns the hash over the names of an export's files.
func listHash(names []string) Hash { return HashOf([]byte(strings.Join(names, "\n"))) }

// Transfer is what an export holds, or an import brought.
type Transfer struct {
	Boat     string `json:"boat"`
	Hash     Hash   `json:"hash"` // of the whole file: the giver and the taker can compare it
	Bytes    int64  `json:"bytes"`
	Versions int    `json:"versions"`
	Marks    int    `json:"marks"`
	Kept     int    `json:"kept"`
	// Carried are the maps of the controller and the journal. After an import each says where it lies: under its own name, or, where
	// the boat has another already, beside it; empty where the boat has the same.
	Carried []Carried `json:"carried"`
}

// Carried is a file of a boat's controller that an export carries.
type Carried struct {
	Name string `json:"name"`
	As   string `json:"as"`
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
	var t *Transfer
	err := b.read(ctx, boat, nil, func(s *view) (err error) {
		if t, err = s.export(ctx, w); err != nil {
			return fmt.Errorf("export %s: %w", boat, err)
		}
		return nil
	})
	return t, err
}

func (s *view) export(ctx context.Context, w io.Writer) (*Transfer, error) {
	boat := s.versions.boat
	files, err := s.exported()
	if err != nil {
		return nil, err
	}
	extra, err := s.carried()
	if err != nil {
		return nil, err
	}
	sum := sha256.New()
	out := &countingWriter{to: io.MultiWriter(w, sum)}
	t := &Transfer{Boat: boat, Carried: []Carried{}}
	archive := tar.NewWriter(out)
	m := manifest{Boat: boat, Files: int64(len(extra) + len(files))}
	var names []string
	for _, file := range extra {
		m.Carried = append(m.Carried, carried{file.Name, int64(len(file.Content)), HashOf(file.Content)})
		m.Bytes += int64(len(file.Content))
		names = append(names, carriedDir+"/"+file.Name)
		t.Carried = append(t.Carried, Carried{Name: file.Name})
	}
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
	for _, file := range extra {
		if err == nil {
			err = archive.WriteHeader(tarHeader(carriedDir+"/"+file.Name, int64(len(file.Content))))
		}
		if err == nil {
			_, err = archive.Write(file.Content)
		}
	}
	for _, file := range files {
		if err == nil {
			err = s.exportFile(ctx, archive, file)
		}
	}
	if err == nil {
		err = archive.Close()
	}
	if err != nil {
		return nil, err
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
func (s *view) exported() ([]exportedFile, error) {
	for _, p := range s.problems {
		// An entry that is gone for good must not lock the rest in: that is handed over despite the damage.
		if p.Hurt && !(s.book.despiteDamage && s.chain.nodes[p.Hash] == nil) {
			return nil, &DamageError{p}
		}
	}
	if len(s.all) == 0 {
		return nil, &NotFoundError{What: "version", Name: "of " + s.versions.boat}
	}
	stamps := map[string]Hash{}
	kept := map[Hash]bool{}
	for _, v := range s.all {
		stamps[versionsDir+"/"+newStamp(v.Time, v.Hash).name] = v.Hash
		for _, k := range v.Kept {
			kept[k.Hash] = true
		}
	}
	for _, m := range s.marks {
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
		info, err := s.root.Lstat(name)
		if err != nil {
			return nil, &DamageError{Problem{Path: s.at(name), Hash: h, What: err.Error(), Hurt: true}}
		}
		files = append(files, exportedFile{name: name, size: info.Size(), hash: h})
	}
	slices.SortFunc(files, func(a, b exportedFile) int { return cmp.Compare(a.name, b.name) })
	return files, nil
}

// carried reads the files of the boat's controller.
func (s *view) carried() (files []File, err error) {
	for _, name := range carriedFiles {
		content, err := s.read(name, maxKeptBytes)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		files = append(files, File{Name: name, Content: content})
	}
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

// ImportOptions say how an export is taken up.
type ImportOptions struct {
	// Join takes it up although the book has a boat of this name that shares no version with it. The boat
	// then has one head more.
	Join bool
}

// Import adds the versions of an exported file to the book. The file is read twice: first all of it is checked, and nothing is written
// if something is wrong with it; then what the book does not have yet is added, and a damaged file of
// the book that the export has whole is healed. A boat that is new in the book also gets its working
// files. The result counts what was added.
func (b *Book) Import(ctx context.Context, r io.ReadSeeker, o ImportOptions) (*Transfer, error) {
	t, err := b.importFrom(ctx, r, o)
	if err != nil {
		return nil, fmt.Errorf("import: %w", err)
	}
	return t, nil
}

func (b *Book) importFrom(ctx context.Context, r io.ReadSeeker, o ImportOptions) (*Transfer, error) {
	c, err := checkExport(ctx, r)
	if err != nil {
		return nil, err
	}
	root, err := b.openRoot()
	if err != nil {
		return nil, err
	}
	defer root.close()
	f, err := root.ensure(c.manifest.Boat)
	if err != nil {
		return nil, err
	}
	defer f.close()
	unlock, err := f.lock(ctx)
	if err != nil {
		return nil, err
	}
	defer unlock()
	versions, err := f.shelf(ctx, c.manifest.Boat, versionsDir)
	if err != nil {
		return nil, err
	}
	defer versions.close()
	if err := c.fits(ctx, versions); err != nil {
		return nil, err
	}
	shares := slices.ContainsFunc(versions.stamps, func(st stamp) bool { return c.versions[st.hash] })
	isNew := !f.isBoat()
	if !isNew && !shares && !o.Join {
		return nil, fmt.Errorf("the book has another boat %q, which shares no version with this one: say that they are the same to join them", c.manifest.Boat)
	}
	t := &Transfer{Boat: c.manifest.Boat, Hash: c.whole, Bytes: c.size, Carried: []Carried{}}
	err = eachFile(ctx, r, func(name string, size int64, content io.Reader) error {
		if name == manifestName {
			return nil
		}
		if !c.names[name] {
			return fmt.Errorf("%q was not in the file when it was checked", name)
		}
		if base, ok := strings.CutPrefix(name, carriedDir+"/"); ok {
			return f.addCarried(ctx, base, content, t)
		}
		return f.addFile(ctx, name, content, t)
	})
	if err == nil && isNew {
		err = b.takeUp(ctx, f, c.manifest.Boat)
	}
	return t, err
}

// addFile adds one file of an import to the boat's folder.
func (f *folder) addFile(ctx context.Context, name string, content io.Reader, t *Transfer) error {
	folderName, base, _ := strings.Cut(name, "/")
	dir, err := f.ensure(folderName)
	if err != nil {
		return err
	}
	defer dir.close()
	isNew, err := dir.publish(ctx, base, content, promisedHash(folderName, base))
	if isNew {
		t.count(name)
	}
	return err
}

// addCarried writes a carried file into the boat's folder: under its own name, or beside another that is there already.
func (f *folder) addCarried(ctx context.Context, name string, content io.Reader, t *Transfer) error {
	text, err := io.ReadAll(content)
	if err != nil {
		return err
	}
	have, err := f.read(name, maxKeptBytes)
	as := name
	switch {
	case err == nil && bytes.Equal(have, text):
		as = ""
	case err == nil:
		ext := path.Ext(name)
		as = strings.TrimSuffix(name, ext) + "-" + HashOf(text).Short() + ext
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	if as != "" {
		err = f.replace(ctx, as, text)
	} else {
		err = nil
	}
	t.Carried = append(t.Carried, Carried{Name: name, As: as})
	return err
}

// takeUp writes the working files of a new boat from its only head; of several, a person chooses.
func (b *Book) takeUp(ctx context.Context, f *folder, boat string) error {
	return b.see(ctx, f, boat, nil, func(s *view) error {
		head, err := s.onlyHead()
		var several *HeadsError
		if errors.As(err, &several) {
			return nil
		}
		if err != nil {
			return err
		}
		texts, err := s.savedTexts(ctx, head)
		if err != nil {
			return err
		}
		if err := s.setTexts(ctx, texts); err != nil {
			return err
		}
		return s.setContinues(ctx, head)
	})
}

func hashFromStart(ctx context.Context, r io.ReadSeeker) (Hash, int64, error) {
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return "", 0, err
	}
	return copyHashed(ctx, io.Discard, io.LimitReader(r, maxImportBytes))
}

// eachFile goes through the files of an export from its start.
func eachFile(ctx context.Context, r io.ReadSeeker, each func(name string, size int64, content io.Reader) error) error {
	if _, err := r.Seek(0, io.SeekStart); err != nil {
		return err
	}
	archive := tar.NewReader(io.LimitReader(r, maxImportBytes))
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		header, err := archive.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return errCutOff
		}
		if err != nil {
			return fmt.Errorf("this is no export of quaybench, or it is damaged: %s", Printable(err.Error()))
		}
		if header.Typeflag != tar.TypeReg {
			return fmt.Errorf("%q is not a plain file", header.Name)
		}
		if err := each(header.Name, header.Size, archive); errors.Is(err, io.ErrUnexpectedEOF) {
			return errCutOff
		} else if err != nil {
			return err
		}
	}
}

var errCutOff = errors.New("the file is cut off")

// checker checks an export from elsewhere, file by file, without keeping their content.
type checker struct {
	whole    Hash  // of the whole file
	size     int64 // of the whole file
	claimed  int64 // bytes that its files claim to have
	blocks   int64 // bytes that a tar of them takes
	own      int64 // of them the manifest's
	manifest *manifest
	list     []string // the names after the manifest
	names    map[string]bool
	kept     map[Hash]int64 // how long each is
	carried  int
	used     map[Hash]bool // kept files that something refers to
	versions map[Hash]bool
	marked   []Hash // versions that marks are about; they come after the marks
	held     int64  // as in shelf
}

// tarBlock is the unit of a tar file; two empty ones end it.
const tarBlock = 512

// beginsAsExport refuses a file that is too large, and any other than an export, at once, however long it is.
func beginsAsExport(r io.ReadSeeker) error {
	size, err := r.Seek(0, io.SeekEnd)
	if err == nil && size > maxImportBytes {
		return fmt.Errorf("the file has %d bytes; more than %d GiB are not taken up", size, int64(maxImportBytes)>>30)
	}
	if err == nil {
		_, err = r.Seek(0, io.SeekStart)
	}
	if err != nil {
		return err
	}
	header, err := tar.NewReader(io.LimitReader(r, tarBlock)).Next()
	switch {
	case errors.Is(err, tar.ErrHeader):
		return errors.New("this is no export of quaybench, or its beginning is damaged")
	case err == nil && header.Name != manifestName:
		return errors.New("this is no export of quaybench: it does not start with " + manifestName)
	case errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return nil // told with what is missing
	}
	return err
}

// checkExport reads an export through and refuses it if anything is wrong with it.
func checkExport(ctx context.Context, r io.ReadSeeker) (*checker, error) {
	if err := beginsAsExport(r); err != nil {
		return nil, err
	}
	whole, size, err := hashFromStart(ctx, r)
	if err != nil {
		return nil, err
	}
	c := &checker{
		whole: whole, size: size,
		names: map[string]bool{}, kept: map[Hash]int64{}, used: map[Hash]bool{}, versions: map[Hash]bool{},
	}
	if err := eachFile(ctx, r, c.add); err != nil {
		return nil, err
	}
	return c, c.end()
}

// add adds the next file. Only names are accepted that the book itself gives, so no path can lead
// anywhere else, and no more bytes than the whole file has, so nothing can unfold.
func (c *checker) add(name string, size int64, content io.Reader) error {
	if size < 0 || size > c.size-c.claimed {
		return fmt.Errorf("%q claims %d bytes, more than are in the file", name, size)
	}
	c.claimed += size
	c.blocks += tarBlock + (size+tarBlock-1)/tarBlock*tarBlock
	if c.manifest == nil {
		c.own = size
		return c.addManifest(name, content)
	}
	folderName, base, _ := strings.Cut(name, "/")
	want := promisedHash(folderName, base)
	if folderName == carriedDir {
		for _, m := range c.manifest.Carried {
			if m.Name == base && m.Bytes == size {
				want = m.Hash
			}
		}
	}
	if want == "" {
		return fmt.Errorf("%q is no name that a book gives to a file", name)
	}
	if n := len(c.list); n > 0 && name <= c.list[n-1] {
		return fmt.Errorf("%q is twice in the file, or out of order", name)
	}
	c.list = append(c.list, name)
	c.names[name] = true
	if int64(len(c.list)) > c.manifest.Files || len(c.list) > 3*maxFilesPerFolder {
		return errors.New("there are more files in it than it says")
	}
	if folderName == keptDir || folderName == carriedDir {
		if size > maxKeptBytes {
			return fmt.Errorf("%q is larger than %d bytes", name, maxKeptBytes)
		}
		have, n, err := copyHashed(context.Background(), io.Discard, content)
		if err != nil || have != want {
			return fmt.Errorf("%q: %w", name, errors.Join(errHashDiffers, err))
		}
		if folderName == carriedDir {
			c.carried++
			return nil
		}
		c.kept[want] = n
		return nil
	}
	if size > maxStampedBytes {
		return fmt.Errorf("%q is larger than %d bytes", name, maxStampedBytes)
	}
	stamped, err := io.ReadAll(content)
	if err == nil && HashOf(stamped) != want {
		err = errHashDiffers
	}
	if err == nil {
		err = c.addStamped(folderName, base, stamped)
	}
	if err != nil {
		return fmt.Errorf("%q: %w", name, err)
	}
	return nil
}

func (c *checker) addManifest(name string, content io.Reader) error {
	if name != manifestName {
		return errors.New("this is no export of quaybench: it does not start with " + manifestName)
	}
	text, err := io.ReadAll(io.LimitReader(content, maxStampedBytes))
	if err == nil {
		c.manifest, err = parseManifest(text)
	}
	if err != nil {
		return fmt.Errorf("%s: %w", manifestName, err)
	}
	return nil
}

// addStamped checks a version or mark, and that what it refers to came before it.
func (c *checker) addStamped(folderName, base string, content []byte) error {
	st, _ := parseStamp(base)
	s := shelf{boat: c.manifest.Boat}
	if folderName == marksDir {
		m, err := parseMark(content)
		if err != nil {
			return err
		}
		c.marked = append(c.marked, m.Version)
		c.held += int64(len(content))
		return errors.Join(c.refer(nil, m.Kept), s.belongs(st, m.Boat, m.Time))
	}
	v, err := parseVersion(content)
	if err != nil {
		return err
	}
	c.held += int64(len(content) - len(v.Settings))
	before := v.Parents
	if v.Restores != "" {
		before = append(slices.Clone(before), v.Restores)
	}
	err = errors.Join(c.refer(before, v.Kept), s.belongs(st, v.Boat, v.Time))
	c.versions[v.Hash] = true
	return err
}

// refer checks that versions and kept files are in the export.
func (c *checker) refer(versions []Hash, kept []Kept) error {
	for _, h := range versions {
		if !c.versions[h] {
			return fmt.Errorf("it refers to the version %s, which is not in the file before it", h.Short())
		}
	}
	for _, k := range kept {
		if n, have := c.kept[k.Hash]; !have || n != k.Bytes {
			return fmt.Errorf("it refers to the kept file %s (%s %s), which is not in the file", k.Hash.Short(), k.Role, k.Name)
		}
		c.used[k.Hash] = true
	}
	return nil
}

// end checks that the export is whole in itself.
func (c *checker) end() error {
	if c.manifest == nil {
		return errors.New("the file is empty, or no export of quaybench")
	}
	if int64(len(c.list)) != c.manifest.Files || c.claimed-c.own != c.manifest.Bytes || listHash(c.list) != c.manifest.List {
		return fmt.Errorf("the file is cut off or was changed: it says it has %d files and has %d, or others", c.manifest.Files, len(c.list))
	}
	if c.size != c.blocks+2*tarBlock {
		return fmt.Errorf("the file is cut off, or has something after its end: it has %d bytes, not %d", c.size, c.blocks+2*tarBlock)
	}
	if c.carried != len(c.manifest.Carried) {
		return errors.New("a carried file that it names is not in it")
	}
	if err := c.refer(c.marked, nil); err != nil {
		return err
	}
	if len(c.used) != len(c.kept) {
		return errors.New("there are kept files in it that nothing refers to")
	}
	if len(c.versions) == 0 {
		return errors.New("there is no version in it")
	}
	return nil
}

// fits checks that the boat stays readable with what is added.
func (c *checker) fits(ctx context.Context, versions *shelf) error {
	if _, _, err := versions.versions(ctx, nil); err != nil {
		return err
	}
	if len(versions.stamps)+len(c.list) > maxFilesPerFolder || versions.held.Load()+c.held > maxHeldBytes {
		return errors.New("the boat would have more versions than a book can read")
	}
	return nil
}

// promisedHash returns the hash that the name of a file in the book promises, empty if the book gives no
// such name.
func promisedHash(folderName, base string) Hash {
	switch folderName {
	case keptDir:
		if h := Hash(base); h.valid() {
			return h
		}
	case marksDir, versionsDir:
		if st, ok := parseStamp(base); ok {
			return st.hash
		}
	}
	return ""
}
