package profiles

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// chain is the graph of a boat's versions and marks. Each names the tips it has seen, that is the entries that no other
// entry named when it was written. So an entry that is deleted or changed is missed by those after it, and one hash
// stands for all that was written before it. Two machines extend the graph apart; copying files joins it. Entries from
// before the chain (format 1) name only their parents or their version.
type chain struct {
	nodes map[Hash]*node
	named map[Hash]*node // by whom an entry is named first
}

type node struct {
	hash    Hash
	path    string
	time    time.Time
	names   []Hash
	chained bool
}

// newChain builds the graph. stamps are all files, readable or not: an unreadable one is a node that names nothing.
func newChain(f *folder, all []*Version, marks []*Mark, stamps []stamp) *chain {
	c := &chain{nodes: map[Hash]*node{}, named: map[Hash]*node{}}
	add := func(n *node) {
		c.nodes[n.hash] = n
		for _, h := range n.names {
			if c.named[h] == nil {
				c.named[h] = n
			}
		}
	}
	for _, v := range all {
		names := slices.Concat(v.Parents, v.Seen)
		if v.Restores != "" {
			names = append(names, v.Restores)
		}
		add(&node{v.Hash, f.at(versionsDir + "/" + newStamp(v.Time, v.Hash).name), v.Time, names, v.Seen != nil})
	}
	for _, m := range marks {
		add(&node{m.Hash, f.at(marksDir + "/" + newStamp(m.Time, m.Hash).name), m.Time, append(slices.Clone(m.Seen), m.Version), m.Seen != nil})
	}
	for _, st := range stamps {
		if c.nodes[st.hash] == nil {
			at, _ := time.Parse(stampLayout, st.time)
			c.nodes[st.hash] = &node{hash: st.hash, time: at}
		}
	}
	return c
}

// tips returns the entries that no other names, newest first; a new entry names them.
func (c *chain) tips() []Hash {
	var tips []*node
	for h, n := range c.nodes {
		if c.named[h] == nil {
			tips = append(tips, n)
		}
	}
	slices.SortFunc(tips, func(a, b *node) int { return cmp.Or(b.time.Compare(a.time), cmp.Compare(a.hash, b.hash)) })
	hashes := make([]Hash, 0, len(tips))
	for _, n := range tips {
		hashes = append(hashes, n.hash)
	}
	return hashes
}

// readable returns the tips that can be read: of the others there is a name alone, which no text bears out, so that nobody is to note it
// as what the book stood at.
func (c *chain) readable() []Hash {
	return slices.DeleteFunc(c.tips(), func(h Hash) bool { return c.nodes[h].path == "" })
}

// seen returns the tips for a new entry to name. Where there are more than fit, as in a book of very many marks from
// before the chain, the next entries name the rest.
func (c *chain) seen() []Hash {
	tips := c.tips()
	tips = tips[:min(len(tips), maxSeen)]
	slices.Sort(tips)
	return listed(tips)
}

// reached returns the given entries and all that they have seen, directly or through others.
func (c *chain) reached(from ...Hash) map[Hash]bool {
	reached := map[Hash]bool{}
	next := slices.Clone(from)
	for len(next) > 0 {
		h := next[len(next)-1]
		next = next[:len(next)-1]
		if reached[h] {
			continue
		}
		reached[h] = true
		if n := c.nodes[h]; n != nil {
			next = append(next, n.names...)
		}
	}
	return reached
}

// blind reports whether something among reached is missing or unreadable: what that had seen cannot be known.
func (c *chain) blind(reached map[Hash]bool) bool {
	for h := range reached {
		if n := c.nodes[h]; n == nil || n.path == "" {
			return true
		}
	}
	return false
}

// missing returns a problem for each entry that another names and that is not there.
func (c *chain) missing() (problems []Problem) {
	for h, by := range c.named {
		if c.nodes[h] == nil {
			problems = append(problems, Problem{Path: by.path, Hash: h, Hurt: true,
				What: "has seen the entry " + h.Short() + ", a version or a mark of one, which is missing: that entry was deleted, or not copied here"})
		}
	}
	slices.SortFunc(problems, func(a, b Problem) int { return cmp.Or(cmp.Compare(a.Path, b.Path), cmp.Compare(a.Hash, b.Hash)) })
	return problems
}

// holdAgainst compares the book with a tip that was noted earlier, on a report for instance. It returns the entries that
// the tip should cover and does not: dated before it, and unknown to it. Where something that it has seen is damaged or gone,
// which is told elsewhere, nobody knows what else it had seen.
func (c *chain) holdAgainst(tip Hash) (apart []*node) {
	reached := c.reached(tip)
	if c.blind(reached) {
		return nil
	}
	for h, n := range c.nodes {
		if !reached[h] && n.time.Before(c.nodes[tip].time) {
			apart = append(apart, n)
		}
	}
	slices.SortFunc(apart, func(a, b *node) int { return a.time.Compare(b.time) })
	return apart
}

// newest returns the mark that holds among marks on one subject, in the order of time: the one that has seen the others.
// rival is another that neither it nor any other of them has seen, written on another machine; the clocks then decided.
func (c *chain) newest(marks []*Mark) (holds, rival *Mark) {
	superseded := map[Hash]bool{}
	for _, m := range slices.Backward(marks) {
		if superseded[m.Hash] {
			continue
		}
		for h := range c.reached(m.Seen...) {
			superseded[h] = true
		}
	}
	for _, m := range slices.Backward(marks) {
		switch {
		case superseded[m.Hash]:
		case holds == nil:
			holds = m
		case rival == nil && holds.Seen != nil && !c.blind(c.reached(holds.Seen...)):
			rival = m
		}
	}
	return holds, rival
}

// Move is a label that was on another version before.
type Move struct {
	Boat   string    `json:"boat"`
	Label  string    `json:"label"`
	From   Hash      `json:"from"`
	To     Hash      `json:"to"`
	Time   time.Time `json:"time"` // when it was moved
	Author string    `json:"author"`
	Put    time.Time `json:"put"` // when it was put on the version before
	PutBy  string    `json:"put_by"`
}

// moves returns the labels that were moved by somebody who had seen where they were, by label. Those about which two machines differ are
// among the problems.
func (s *view) moves() (list []Move) {
	holds, rivals := s.holding(MarkLabel, func(m *Mark) string { return m.Label })
	for _, label := range slices.Sorted(maps.Keys(holds)) {
		h := holds[label]
		if rivals[label] != nil {
			continue
		}
		for _, m := range slices.Backward(s.marks) {
			if m.Kind == MarkLabel && m.Label == label && m.Version != h.Version {
				list = append(list, Move{s.versions.boat, label, m.Version, h.Version, h.Time, h.Author, m.Time, m.Author})
				break
			}
		}
	}
	return list
}

// labelled returns the mark that puts each label on its version.
func (s *view) labelled() map[string]*Mark {
	on, _ := s.holding(MarkLabel, func(m *Mark) string { return m.Label })
	return on
}

// controllers returns the mark of the last write to each controller. One that was written with something that is no
// version is left out. asked are names that count as a controller's though no mark has them yet.
func (s *view) controllers(asked ...string) map[string]*Mark {
	in, _ := s.holding(MarkWritten, s.controllerOf(asked...))
	for name, m := range in {
		if m.Kind == MarkReplaced {
			delete(in, name)
		}
	}
	return in
}

// controllerOf returns what names the controller of a mark. Marks from before the port was left out are named "TITLE on
// PORT": they are of the controller TITLE where a mark, or what was asked for, has that name.
func (s *view) controllerOf(asked ...string) func(*Mark) string {
	known := map[string]bool{}
	for _, name := range asked {
		known[name] = true
	}
	for _, m := range s.marks {
		known[m.Controller] = true
	}
	return func(m *Mark) string {
		if title, _, ok := cutPort(m.Controller); ok && known[title] {
			return title
		}
		return m.Controller
	}
}

// cutPort cuts a controller's name from before the port was left out.
func cutPort(name string) (title, port string, ok bool) {
	i := strings.LastIndex(name, " on ")
	if i <= 0 {
		return name, "", false
	}
	return name[:i], name[i+len(" on "):], true
}

// holding returns, for each subject of marks of a kind, the mark that holds and a rival of it.
func (s *view) holding(kind MarkKind, subject func(*Mark) string) (holds, rivals map[string]*Mark) {
	bySubject := map[string][]*Mark{}
	for _, m := range s.marks {
		if m.Kind == kind || kind == MarkWritten && m.Kind == MarkReplaced {
			bySubject[subject(m)] = append(bySubject[subject(m)], m)
		}
	}
	holds, rivals = map[string]*Mark{}, map[string]*Mark{}
	for name, marks := range bySubject {
		if len(marks) == 1 {
			holds[name] = marks[0]
			continue
		}
		h, r := s.chain.newest(marks)
		holds[name] = h
		if r != nil && (r.Version != h.Version || r.Kind != h.Kind) {
			rivals[name] = r
		}
	}
	return holds, rivals
}

// contested lists labels and controllers about which two machines say different things, without having seen each other.
func (s *view) contested() (problems []Problem) {
	tell := func(what string, holds, rivals map[string]*Mark) {
		for _, name := range slices.Sorted(maps.Keys(rivals)) {
			r, h := rivals[name], holds[name]
			problems = append(problems, Problem{
				Path: s.at(marksDir + "/" + newStamp(r.Time, r.Hash).name), Hash: r.Hash,
				What: fmt.Sprintf("%s %q: two machines put it on different versions without seeing each other, on %s (%s) and on %s (%s); by their clocks the second holds: check, and set it again",
					what, name, r.Version.Short(), r.Author, h.Version.Short(), h.Author),
			})
		}
	}
	labels, rivals := s.holding(MarkLabel, func(m *Mark) string { return m.Label })
	tell("label", labels, rivals)
	in, rivals := s.holding(MarkWritten, s.controllerOf())
	tell("controller", in, rivals)
	slices.SortFunc(problems, func(a, b Problem) int { return cmp.Compare(a.Path, b.Path) })
	return problems
}
