package regmap

import (
	"cmp"
	"context"
	"errors"
	"fmt"

	"quaybench/bench/link"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// NewController returns a controller of a unit that answers to the map.
func NewController(m *Map, master *modbus.Master, clock port.Clock) *guard.Controller {
	return guard.NewController(&m.Map, &store{master, m.unit, clock}, clock)
}

// store is a Modbus unit behind a master.
type store struct {
	master *modbus.Master
	unit   byte
	clock  port.Clock
}

var _ guard.Store = (*store)(nil)

func (s *store) Read(ctx context.Context, wanted []guard.Place, got func(i int, raw uint64)) error {
	places := make([]place, len(wanted))
	for i, p := range wanted {
		places[i] = p.(place)
	}
	for _, b := range blocks(places) {
		registers, err := read(ctx, s.master, s.unit, b.place)
		if err != nil {
			return err
		}
		for _, i := range b.items {
			from := places[i].address - b.address
			got(i, places[i].raw(registers[from:from+places[i].registers]))
		}
	}
	return nil
}

// Write writes a coil, one register, or two in one request so that no half of a value is ever in force.
func (s *store) Write(ctx context.Context, to guard.Place, raw uint64, still func() error) error {
	p := to.(place)
	address := uint16(p.address)
	switch {
	case p.table == modbus.Coils:
		return s.master.WriteCoil(ctx, s.unit, address, raw != 0)
	case p.registers == 1:
		return s.master.WriteRegisterIf(ctx, s.unit, address, uint16(raw), still)
	}
	return s.master.WriteRegisters(ctx, s.unit, address, p.encode(raw))
}

// Measure reads as Read does; all of it counts from the last reply.
func (s *store) Measure(ctx context.Context, places []guard.Place, got func(i int, raw uint64, from link.Origin)) error {
	asked, raws := s.clock.Now(), make([]uint64, len(places))
	if err := s.Read(ctx, places, func(i int, raw uint64) { raws[i] = raw }); err != nil {
		return err
	}
	at, err := s.master.Heard(ctx)
	for i, raw := range raws {
		got(i, raw, link.Origin{Since: asked, At: at})
	}
	return err
}

// Told returns nothing: a Modbus unit tells nothing by itself.
func (s *store) Told() []string { return nil }

// MakeReady has nothing to do: a Modbus unit takes commands at any time.
func (s *store) MakeReady(context.Context) error { return nil }

// LetGo has nothing to do: each write was confirmed, or failed.
func (s *store) LetGo(_ context.Context, _ []guard.Step, failed error) error { return failed }

func (s *store) Refusal(err error, p guard.Place) (error, bool) {
	return hinted(err, p.(place)), errors.As(err, new(*modbus.Exception))
}

// hinted adds to a refused address how manuals number registers.
func hinted(err error, p place) error {
	if !errors.Is(err, modbus.IllegalDataAddress) {
		return err
	}
	return fmt.Errorf("%w at %v; %s", err, p, cmp.Or(AsInManual(p), "addresses in the map count from 0, so where the manual counts from 1 each is one lower"))
}

// AsInManual returns a hint about a place whose address seems to be a manual's number of it, which tells the table by its first digit: 40019
// is the holding register with the address 18. "": it does not.
func AsInManual(at guard.Place) string {
	p, ok := at.(place)
	digit := map[modbus.Table]int{modbus.Coils: 0, modbus.DiscreteInputs: 1, modbus.InputRegisters: 3, modbus.HoldingRegisters: 4}[p.table]
	for _, size := range []int{10_000, 100_000} { // manuals write five digits or six
		if number := p.address - digit*size; ok && digit > 0 && number > 0 && number < min(size, 1<<16+1) {
			return fmt.Sprintf("a manual's %d is address %d in the map: leave out the leading digit, and count from 0", p.address, number-1)
		}
	}
	return ""
}
