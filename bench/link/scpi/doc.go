// Package scpi reads a bench supply or multimeter that answers queries of SCPI (Standard Commands for Programmable Instruments, on
// IEEE 488.2) over a serial line. A file says what is asked:
//
//	title = "bench supply (invented)"
//	speaks = "SCPI"
//	identity = "PS-60"         # what its answer to *IDN? must hold; left out: any
//	remote = true              # send SYST:REM first: some answer only then
//	answer_within = "1 s"
//	every = "200 ms"           # pause from one round of queries to the next
//
//	[[query]]
//	ask = "MEAS:VOLT?"
//	name = "voltage"
//	unit = "V"
//	scale = "1 V"              # what 1 in the answer is
//	min = "0 V"                # a value outside can't be true
//	max = "100 V"
//	error = "± 0.1 % ± 20 mV"
//
// Only queries are sent: nothing that sets, triggers a calibration or a self-test, or switches an output. The one exception is
// SYST:REM, where the file says remote = true; it may lock the front panel until somebody presses its local key. Mind that MEAS
// of a multimeter chooses function and range anew each time and may take a second; READ? and FETC? leave them as they are set.
//
// A number of 9.9E37 or more in size is an overload, infinity, or no number (SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37,
// -9.9E37, 9.91E37): there is no reading then. A query that is not known is answered by silence; after a time-out the error
// queue is read until it is empty, which also throws away an answer that comes late.
package scpi
