// Package lines reads the text lines of a data logger: numbers with a
// delimiter between, at up to 1 Mbaud. A file says what the columns are:
//
//	title = "bench logger (invented)"
//	delimiter = ";"            # or "," "tab" "space"
//	checksum = "xor"           # or "none"
//	decimal = "comma"          # or "point", the default
//	begins = "$IIXDR"          # only lines that begin so; left out: all lines
//	header = "t [s];U [V]"     # the line above the readings; another one in its place ends the use of the logger
//	stale_after = "500 ms"     # no line for so long is an error
//	delay = "200 ms"           # how long after the fact its readings come
//
//	[[column]]
//	name = "voltage"
//	unit = "V"
//	scale = "10 mV"            # what 1 in the line is
//	min = "0 V"                # a value outside can't be true
//	max = "100 V"
//	error = "± 0.5 % ± 0.1 V"  # of the instrument; left out: the boat file's
//
//	[[column]]
//	name = "motor_temperature"
//	unit = "°C"
//	scale = "1 K"
//
//	[[column]]
//	clock = true               # the logger's own time or count of lines: where it stands still, keeps going back or falls behind, the logger hangs
//
//	[[column]]
//	ignore = true              # a column of no interest
//
// A line ends with LF or CR LF. With checksum = "xor" it ends with *hh before
// that, hh being the exclusive or of all bytes before the *, in hexadecimal,
// as NMEA 0183 has it (a $ at the start is allowed, and not in the sum). Lines that begin with # are remarks and passed over.
//
// A file with speaks = "NMEA 0183" describes a GPS or a log in place of columns: see [LoadSentences].
//
// Without a check sum nothing tells a line whose middle was lost from a whole
// one, as long as the count of columns is right, nor 120 from 920: a logger
// whose readings stop a test should send one.
package lines
