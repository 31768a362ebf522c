package slcan

import (
	"fmt"
	"strings"
)

// Rate is a bit rate that adapters have a letter for.
type Rate struct {
	Name    string // "250 kbit/s"
	Bits    int    // per second
	command string
}

var rates = []Rate{
	{"10 kbit/s", 10_000, "S0"}, {"20 kbit/s", 20_000, "S1"}, {"50 kbit/s", 50_000, "S2"}, {"100 kbit/s", 100_000, "S3"}, {"125 kbit/s", 125_000, "S4"},
	{"250 kbit/s", 250_000, "S5"}, {"500 kbit/s", 500_000, "S6"}, {"800 kbit/s", 800_000, "S7"}, {"1000 kbit/s", 1_000_000, "S8"},
}

// ParseRate reads a rate by its name.
func ParseRate(name string) (Rate, error) {
	var names []string
	for _, r := range rates {
		if r.Name == name {
			return r, nil
		}
		names = append(names, r.Name)
	}
	return Rate{}, fmt.Errorf("no bit rate is called %q; there are %s", name, strings.Join(names, ", "))
}
