// Package canopen is what the tool needs of CANopen (CiA 301): reading and writing a node's objects by SDO, expedited and
// segmented, and hearing what a node tells by itself: heartbeat, boot-up, emergencies. [Client] asks, [Node] answers.
//
// Nothing is sent but SDO requests to the one node: no NMT command, no SYNC, no PDO. Block transfer is left out.
package canopen
