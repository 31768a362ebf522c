package canopen

import (
	"context"

	"quaybench/bench/link/slcan"
)

// The commands of network management (CiA 301). The first two alone are ever sent, and to our node only.
const (
	nmtStart              = 0x01
	nmtPreOperational     = 0x80
	nmtStop               = 0x02
	nmtReset              = 0x81
	nmtResetCommunication = 0x82
)

// Start makes the node operational: from then on it obeys every RPDO on the bus. Nothing confirms it but its heartbeat.
func (c *Client) Start(ctx context.Context) error { return c.manage(ctx, nmtStart) }

// Withdraw makes the node pre-operational: it then obeys no RPDO, and answers to SDO. Nothing confirms it but its heartbeat.
func (c *Client) Withdraw(ctx context.Context) error { return c.manage(ctx, nmtPreOperational) }

func (c *Client) manage(ctx context.Context, command byte) error {
	c.waiting++
	return c.bus.Send(ctx, slcan.Frame{ID: idNMT, Data: []byte{command, c.node}})
}

// Beat sends one heartbeat with a node number of our own, for a node that watches it.
func (c *Client) Beat(ctx context.Context, ours byte) error {
	c.unconfirmed = true
	c.waiting++
	return c.bus.Send(ctx, slcan.Frame{ID: idHeartbeat + uint32(ours), Data: []byte{byte(Operational)}})
}

// Send sends the frame of an RPDO. Nothing confirms it.
func (c *Client) Send(ctx context.Context, id uint32, data []byte) error {
	c.unconfirmed = true
	c.waiting++
	return c.bus.Send(ctx, slcan.Frame{ID: id, Data: data})
}

// HeartbeatID returns the identifier of a node's heartbeat.
func HeartbeatID(node byte) uint32 { return idHeartbeat + uint32(node) }

// Mute reports whether the adapter has no word for lost frames.
func (c *Client) Mute() bool { return c.mute }

// Lost asks the adapter whether frames were lost since it was asked last; the error is a [*LossError] then. An adapter that
// has no word for it is not asked again.
func (c *Client) Lost(ctx context.Context) error {
	if c.mute {
		return nil
	}
	behind, cut := c.bus.Behind(), c.bus.Stats().Bad
	flags, known, err := c.bus.Flags(ctx)
	if err != nil {
		return err
	}
	c.knows = c.knows || known
	c.mute = !c.knows
	lines := cut - c.cut
	c.cut = cut
	if flags == 0 && lines == 0 || behind { // who did not look for a while finds lines cut in the buffer, and no fault
		return nil
	}
	return &LossError{flags, lines}
}
