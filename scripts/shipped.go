// Package scripts holds the texts of the scripts that run a step test, for `quaybench learn --next`: it asks them for their programmes.
package scripts

import "embed"

// Tests returns their folders; the other scripts only simulate, or show how something is done.
func Tests() embed.FS { return tests }

//go:embed coast-down/main.go locked-shaft/main.go staircase/main.go
var tests embed.FS
