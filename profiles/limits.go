package profiles

// Limits on what is read, so that a book or a file from elsewhere cannot exhaust memory. Settings run
// to a few kilobytes, boat files to tens, a two-hour record at 20 Hz and 30 columns to some 40 MB.
const (
	maxSettingsBytes = 256 << 10
	maxBoatBytes     = 1 << 20
	maxStampedBytes  = 1 << 20 // a version or mark; settings may double in size where they must be escaped
	maxKeptBytes     = 256 << 20
	maxImportBytes   = 4 << 30

	maxFilesPerFolder = 100_000
	maxParents        = 64
	maxSeen           = 4096 // 68 bytes each in the file
	maxVerdicts       = 200
	maxKept           = 200
	maxHeldBytes      = 64 << 20 // of a boat's versions at once, settings not counted

	maxLineBytes  = 200 // author, tool, names
	maxProseBytes = 1_000
)
