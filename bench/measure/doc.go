// Package measure runs a scripted throttle step test on a controller at the end of a line and turns it into a record.
//
// Safe by construction: zero throttle is the last command on every way out while a line exists; beyond that the
// controller's own command time-out acts. The test stops at once on a hard limit, on two samples in a row outside the
// watch, on stale or impossible telemetry, on a lost line, on a cancelled context, and when the pacing falls behind.
//
// The record is then completed: the drive's heat networks, driven by what was measured, add the traces nobody measured.
package measure
