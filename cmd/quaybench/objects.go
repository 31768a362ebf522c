package main

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/spf13/cobra"

	"quaybench/bench"
	"quaybench/bench/datafile"
	"quaybench/bench/layout"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/eds"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
	"quaybench/bench/study"
)

// objectsOptions are what `quaybench controller objects` is asked.
type objectsOptions struct {
	controllerFlags
	sheet, rate, within string
	node                int
	findRate            bool
}

// run lists what a CANopen controller offers, or what its data sheet says that it does.
func (o *objectsOptions) run(ctx context.Context, sys *system) error {
	var sheet *eds.File
	if o.sheet != "" {
		text, err := datafile.ReadFile(o.sheet, largestRecord)
		if err != nil {
			return input(fmt.Errorf("the data sheet cannot be read: %w", err))
		}
		if sheet, err = eds.Read(o.sheet, text); err != nil {
			return input(err)
		}
		if len(sheet.Octal) > 0 {
			fmt.Fprintf(sys.Err, "quaybench: mind: %s:%d: a leading 0 makes a number octal by CiA 306 (010 is 8); was that meant?\n", o.sheet, sheet.Octal[0])
		}
	}
	if o.findRate {
		return o.find(ctx, sys)
	}
	if o.on == "" {
		if sheet == nil {
			return input(errors.New("name the port of the controller (--on PORT), or its data sheet (--eds FILE), or both"))
		}
		return o.showSheet(sys, sheet)
	}
	var b *berth
	var m *objmap.Map
	if o.boat != "" {
		var err error
		if b, err = findBerth(sys, o.boat, o.set); err != nil {
			return err
		}
		loaded, err := b.controllerMap(o.file, asCANopen, o.on)
		if err != nil {
			return err
		}
		m = loaded.objects
	}
	client, shut, err := o.open(ctx, sys, b, m)
	if err != nil {
		return err
	}
	return errors.Join(o.browse(ctx, sys, client, m, sheet), shut())
}

// find listens for the bit rate of a bus that nobody knows, on a person's word.
func (o *objectsOptions) find(ctx context.Context, sys *system) error {
	if o.on == "" || o.on == simulated || o.rate != "" {
		return input(errors.New("--find-rate listens on a port (--on PORT), and wants no --rate"))
	}
	address, err := port.ParseAddress(o.on)
	if err != nil {
		return input(err)
	}
	fmt.Fprintln(sys.Out, wrapped("This only listens, at one bit rate after the other. Whether an adapter truly listens only cannot be told from here, and at a wrong rate one that does not disturbs everything on a live bus: nothing may hang on it now that moves, steers or holds something. "+bench.Caution, sys.width()))
	if err := newKeyboard(sys).confirm(ctx, "listen", "where that is so"); err != nil {
		return err
	}
	p, err := sys.Open(address)
	if err != nil {
		return err
	}
	found, err := slcan.New(p, sys.Clock).FindRate(ctx, 3*time.Second, func(h slcan.HeardAt) {
		what := "nothing"
		switch {
		case h.Frames > 0:
			what = study.Plural(h.Frames, "valid frame")
			for _, id := range h.IDs {
				what += fmt.Sprintf(", %03X", id)
			}
		case h.Flags != 0:
			what = fmt.Sprintf("errors (flags %02X): there is something, at another rate", h.Flags)
		}
		fmt.Fprintf(sys.Out, "  %-11s %s\n", h.Rate.Name, what)
	})
	err = errors.Join(err, p.Close())
	switch {
	case stopped(err):
		return stopError{err}
	case err != nil:
		return err
	case found == nil:
		return errors.New("no frame was heard at any rate: no power, a wire off, a controller without heartbeat, or one that is alone and waits for somebody to acknowledge; the manual tells its rate")
	}
	fmt.Fprintln(sys.Out, wrapped(fmt.Sprintf("the bus runs at %s: write rate = %q into the object map. A heartbeat has 700 and the node's number (705: node 5).", found.Rate.Name, found.Rate.Name), sys.width()))
	return nil
}

// open opens the bus of a map, or one of --rate and --node.
func (o *objectsOptions) open(ctx context.Context, sys *system, b *berth, m *objmap.Map) (*canopen.Client, func() error, error) {
	if m == nil && (o.rate == "" || o.node == 0) {
		return nil, nil, input(errors.New("name the boat whose objects.toml tells node number and bit rate, or give both: --node 5 --rate \"250 kbit/s\" (they stand in the controller's manual)"))
	}
	if o.node < 0 || o.node > 127 {
		return nil, nil, input(fmt.Errorf("--node is 1 to 127, got %d", o.node))
	}
	var rate slcan.Rate
	node, wait := byte(o.node), 3*time.Second
	if m != nil {
		rate, node, wait = m.Rate(), cmp.Or(node, m.Node()), m.Listening()
	}
	if o.rate != "" {
		var err error
		if rate, err = slcan.ParseRate(o.rate); err != nil {
			return nil, nil, input(err)
		}
	}
	var p port.Port
	clock := sys.Clock
	if o.on == simulated {
		if m == nil {
			return nil, nil, input(errors.New("name the boat that is to be simulated"))
		}
		virtual := linksim.NewVirtual(sys.Clock.Now())
		sim, err := linksim.New(b.Boat, b.Settings, m.Describe(), virtual, linksim.Options{})
		if err != nil {
			return nil, nil, input(err)
		}
		clock, p = virtual, linksim.CANLoopback(sim.Adapter(m, virtual), virtual)
	} else {
		address, err := port.ParseAddress(o.on)
		if err != nil {
			return nil, nil, input(err)
		}
		if p, err = sys.Open(address); err != nil {
			return nil, nil, err
		}
	}
	c, off, err := objmap.Connect(ctx, rate, node, p, clock, wait, o.alone)
	if err != nil {
		return nil, nil, errors.Join(err, p.Close())
	}
	return c, func() error { return errors.Join(off(), p.Close()) }, nil
}

// browse asks for the objects of the sheet, or of a range of indices, and shows what is there.
func (o *objectsOptions) browse(ctx context.Context, sys *system, client *canopen.Client, m *objmap.Map, sheet *eds.File) error {
	tab := &layout.Table{}
	tab.Add("object", "bytes", "value", "name", "in the map")
	count := 0
	found := func(f canopen.Found) {
		count++
		name, in := "", ""
		if sheet != nil {
			s, _ := sheet.Find(f.Object)
			name = printableName(s.Name)
		}
		if m != nil {
			in = m.What(f.Object)
		}
		bytes, value := strconv.Itoa(len(f.Data)), objectText(f.Data)
		if f.Code != 0 {
			bytes, value = "", f.Code.Error()
		}
		tab.Add(f.String(), bytes, value, name, in)
	}
	var err error
	if sheet != nil {
		for _, s := range sheet.Objects {
			if !s.Readable() {
				continue
			}
			f, ok, look := client.Look(ctx, s.Object)
			if err = look; err != nil {
				break
			}
			if ok {
				found(f)
			} else {
				tab.Add(s.Object.String(), "", "not in this controller", printableName(s.Name), "")
			}
		}
	} else {
		var ranges [][2]uint16
		if ranges, err = parseRanges(o.within); err != nil {
			return input(err)
		}
		if o.within == usualIndices && m != nil {
			for _, index := range m.Indices() {
				if !slices.ContainsFunc(ranges, func(r [2]uint16) bool { return r[0] <= index && index <= r[1] }) {
					ranges = append(ranges, [2]uint16{index, index})
				}
			}
		}
		all, done := 0, 0
		for _, r := range ranges {
			all += int(r[1]) - int(r[0]) + 1
		}
		bar := newBar(sys, "objects")
		for _, r := range ranges {
			if err = client.Browse(ctx, r[0], r[1], found, func(uint16) { done++; bar.show(done, all) }); err != nil {
				break
			}
		}
		bar.done()
	}
	sys.table(tab)
	fmt.Fprintf(sys.Out, "%s; nothing was written\n", study.Plural(count, "object"))
	if sheet == nil && o.within == usualIndices && err == nil {
		fmt.Fprintln(sys.Out, wrapped("asked for were "+usualIndices+" and what the map has. A maker's own objects may lie up to 5FFF: --within 0x3000-0x5FFF asks for the rest, which takes longer.", sys.width()))
	}
	if stopped(err) {
		return stopError{err}
	}
	return err
}

// showSheet lists what a data sheet says.
func (o *objectsOptions) showSheet(sys *system, sheet *eds.File) error {
	sys.tell("%s, %s (vendor %08X, product %08X)\n", cmp.Or(printableName(sheet.Vendor), "no vendor named"), cmp.Or(printableName(sheet.Product), "no product named"), sheet.VendorNumber, sheet.ProductNumber)
	tab := &layout.Table{}
	tab.Add("object", "type", "access", "from", "to", "default", "name")
	text := func(v *eds.Value) string {
		if n, ok := v.Of(cmp.Or(byte(o.node), sheet.NodeID)); ok {
			return strconv.FormatInt(n, 10)
		}
		if v != nil {
			return printableName(v.Text)
		}
		return ""
	}
	for _, s := range sheet.Objects {
		tab.Add(s.Object.String(), cmp.Or(string(s.Kind), fmt.Sprintf("type %04X", s.Type)), s.Access, text(s.Low), text(s.High), text(s.Default), printableName(s.Name))
	}
	sys.table(tab)
	sys.tell("%d objects by the data sheet; what the controller has, only it tells (--on PORT)\n", len(sheet.Objects))
	return nil
}

// printableName returns a name that cannot drive a terminal.
func printableName(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, text)
}

// objectText shows an object's bytes as a number, or as text.
func objectText(data []byte) string {
	if len(data) == 0 {
		return ""
	}
	text := strings.TrimRight(string(data), "\x00")
	if len(data) > 4 {
		if strings.IndexFunc(text, func(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar }) < 0 {
			return strconv.Quote(text[:min(len(text), 60)])
		}
		return fmt.Sprintf("%X", data[:min(len(data), 16)])
	}
	var eight [8]byte
	copy(eight[:], data)
	n := binary.LittleEndian.Uint64(eight[:])
	out := fmt.Sprintf("%d (0x%0*X)", n, 2*len(data), n)
	if top := uint(8*len(data) - 1); n>>top != 0 {
		out = fmt.Sprintf("%d or %d (0x%0*X)", n, int64(n)-1<<(top+1), 2*len(data), n)
	}
	return out
}

// usualIndices are those that are asked for where nobody says which.
const usualIndices = "0x1000-0x1FFF,0x2000-0x2FFF,0x6040-0x60FF"

// parseRanges reads 0x1000-0x1FFF,0x2000-0x2FFF.
func parseRanges(text string) (list [][2]uint16, err error) {
	for part := range strings.SplitSeq(text, ",") {
		low, high, ok := strings.Cut(strings.TrimSpace(part), "-")
		a, err1 := strconv.ParseUint(low, 0, 16)
		b := a
		var err2 error
		if ok {
			b, err2 = strconv.ParseUint(high, 0, 16)
		}
		if err1 != nil || err2 != nil || a > b {
			return nil, fmt.Errorf("--within %q: write ranges of indices, for example 0x1000-0x10FF,0x2000-0x2FFF", text)
		}
		list = append(list, [2]uint16{uint16(a), uint16(b)})
	}
	return list, nil
}

func objectsCommand(sys *system) *cobra.Command {
	var o objectsOptions
	cmd := &cobra.Command{
		Use:   "objects [BOAT] --on PORT",
		Short: "list the objects that a CANopen controller offers, or that its data sheet does",
		Long: `Reads what is in a CANopen controller, and writes nothing: each object with its length and value, beside what the boat's object map takes it for. Without a
data sheet it asks for one index after the other (--within), which takes some seconds to a minute. With --eds it asks for the objects of that sheet
(EDS or DCF, CiA 306). Without --on it shows the sheet alone. With --find-rate it listens for the bit rate of a bus, where you say that nothing can come of it.

` + bench.Caution,
		Example: `  quaybench controller objects petrel --on sim
  quaybench controller objects --node 5 --rate "250 kbit/s" --on /dev/ttyACM0@115200
  quaybench controller objects --eds controller.eds`,
		Args: arguments(0, 1, "BOAT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) > 0 {
				o.boat = args[0]
			}
			return o.run(cmd.Context(), sys)
		},
	}
	cmd.Flags().StringVar(&o.on, "on", "", "`PORT` and rate of the serial CAN adapter, for example /dev/ttyACM0@115200; sim: a simulated controller")
	cmd.Flags().StringVar(&o.file, "map", "", "object map (default: objects.toml beside the boat file)")
	cmd.Flags().BoolVar(&o.alone, "alone", false, "nothing but this controller hangs on the bus, so open it without listening to it first")
	cmd.Flags().StringVar(&o.sheet, "eds", "", "data sheet of the controller: `FILE` (EDS or DCF)")
	cmd.Flags().StringVar(&o.within, "within", usualIndices, "indices to ask for, beside those of the map")
	cmd.Flags().StringVar(&o.rate, "rate", "", "bit rate of the bus (default: the map's)")
	cmd.Flags().BoolVar(&o.findRate, "find-rate", false, "listen at one bit rate after the other, and send nothing")
	cmd.Flags().IntVar(&o.node, "node", 0, "node number of the controller (default: the map's)")
	cmd.ValidArgsFunction = completeBoats(sys)
	return cmd
}
