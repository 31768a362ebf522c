package datafile

import (
	"flag"

	"quaybench/bench/quantity"
)

var update = flag.Bool("update", false, "write the golden files anew")

// yard is an invented file type that has a field of every kind.
type yard struct {
	Name    string   `key:"name" doc:"what the boat is called"`
	Cells   int      `key:"cells" min:"1" max:"40" default:"16"`
	Crew    uint8    `key:"crew" default:"1"`
	Covered bool     `key:"covered" default:"true"`
	Tags    []string `key:"tags" one:"harbour|workboat|demo" optional:"yes"`
	Battery bank     `key:"battery" doc:"the bank that drives the motor"`
	Joints  []joint  `key:"joint"`
	Fan     *fan     `key:"fan"`
	Spare   []joint  `key:"spare" optional:"yes"`
	note    string   // without a key: left alone
}

type bank struct {
	Resistance quantity.Value `key:"resistance" unit:"mΩ" above:"0 Ω" max:"1 Ω" example:"14 mΩ ± 10 %, measured" doc:"internal resistance of the whole bank" find:"data sheet, or voltage step over current step"`
	Chemistry  string         `key:"chemistry" one:"lfp|nmc|agm"`
	OCV        Table          `key:"ocv" unit:"%|V" min:"0 %|0 V" max:"100 %|" doc:"open-circuit voltage over charge"`
	Start      float64        `key:"derating_start" unit:"°C" min:"-40 °C" below:"120 °C" default:"55 °C"`
	Band       quantity.Value `key:"derating_band" unit:"K" default:"20 K"`
	Efficiency quantity.Value `key:"efficiency" unit:"1" min:"0" max:"1" optional:"yes"`
	Steps      []float64      `key:"steps" unit:"A" optional:"yes"`
	Sag        Table          `key:"sag" unit:"mΩ|s" optional:"yes"`
}

type joint struct {
	Name       string         `key:"name"`
	Resistance quantity.Value `key:"resistance" unit:"mΩ" default:"0.1 mΩ"`
}

type fan struct {
	On    quantity.Value `key:"on" unit:"°C" default:"60 °C"`
	Speed quantity.Value `key:"speed" unit:"rad/s" optional:"yes"`
}

// good is a file without fault; the tests change it.
const good = `# petrel: an invented 48 V harbour launch

name = "petrel"   # invented
tags = ["harbour", "demo"]

[battery]
# measured in May
resistance = "14 mΩ ± 10 %, measured" # at 20 °C
chemistry = "lfp"
ocv = [
  ["0 %", "44 V"], # empty
  ["100 %", "54 V"],
]

[[joint]]
name = "bow"

[[joint]]
name = "stern"
resistance = "0.3 mohm"
`
