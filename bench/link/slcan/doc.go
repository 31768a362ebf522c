// Package slcan speaks with serial CAN adapters by the ASCII line protocol that the Linux kernel knows as slcan: a line for
// each frame, and a few commands of one letter.
//
// [Bus] is the host's end, [Adapter] the simulated adapter's. A Bus reads its port when it is asked: what comes meanwhile waits
// in the system's buffer, and lines that were cut there are counted ([Bus.Stats]).
//
// Sources: the comments of the Linux driver (drivers/net/can/slcan), public texts of adapter firmware. Two things differ
// between adapters: S7 is 800 kbit/s for most and 750 kbit/s for some, so a rate is named by its bits only; the letter z
// after a sent frame means "in the queue", not "acknowledged on the bus", and not all send it.
package slcan
