package regmap_test

import (
	"context"
	"fmt"
	"time"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
)

const exampleMap = `
title = "an invented controller"
unit_id = 17

[running]                  # what marks a driven motor
table = "coil"
address = 0

[[setting]]
key = "limits.motor_current"
table = "holding"
address = 16
type = "u16"
unit = "A"
scale = "0.5 A"
min = "1 A"
max = "250 A"

[[reading]]
key = "motor_temperature"
table = "input"
address = 4
type = "s16"
unit = "°C"
scale = "0.1 K"
`

// A controller behind a Modbus line. With hardware the port comes from
// port.Open; here the far end is a bank of registers in memory.
func ExampleController() {
	ctx, stop := context.WithTimeout(context.Background(), time.Minute)
	defer stop()
	clock, timing := port.WallClock{}, modbus.TimingAt(115200)
	near, far := linktest.Pipe()
	defer near.Close()
	bank := &linktest.Bank{Coils: make([]bool, 1), Holding: make([]uint16, 20), Input: make([]uint16, 10)}
	bank.Holding[16], bank.Input[4] = 300, 412
	ended := make(chan error, 1)
	go func() { ended <- modbus.NewServer(17, bank, timing, clock).Serve(ctx, far) }()

	m, err := regmap.Load("example.toml", []byte(exampleMap), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	c := regmap.NewController(m, modbus.NewMaster(near, timing, clock), clock)
	defer c.Close()

	settings, err := c.ReadSettings(ctx)
	fmt.Println("motor current limit:", settings["limits.motor_current"], "A", err)
	stored, err := c.WriteSetting(ctx, "limits.motor_current", 120.3)
	fmt.Println("stored:", stored, "A", err)
	_, err = c.WriteSetting(ctx, "limits.motor_current", 300)
	fmt.Println(err)
	sample, err := c.ReadTelemetry(ctx)
	fmt.Printf("motor: %.2f K %v\n", sample.Values[0], err)

	stop()
	<-ended
	// Output:
	// motor current limit: 150 A <nil>
	// stored: 120.5 A <nil>
	// limits.motor_current: 300 A is not from 1 A to 250 A
	// motor: 314.35 K <nil>
}

// Everything wrong with a map is said at once, with line and column.
func ExampleLoad() {
	_, err := regmap.Load("example.toml", []byte(`title = "an invented controller"
unit_id = 17

[[reading]]
key = "motor_temperature"
table = "input"
address = 4
type = "u16"
unit = "°C"
scale = "0.1 °C"

[[reading]]
key = "voltage"
table = "input"
address = 4
type = "u16"
unit = "V"
scale = "10 mV"
min = "-5 V"
`), nil)
	fmt.Println(err)
	// Output:
	// example.toml:10:9: 0.1 °C is a temperature; write a temperature difference in K, for example "0.1 K"
	//     scale = "0.1 °C"
	//             ^
	// example.toml:15:11: input register 4 is already motor_temperature in line 7
	//     address = 4
	//               ^
	// example.toml:19:7: -5 V would be count -500, but a u16 holds 0 to 65535; see type, scale and offset
	//     min = "-5 V"
	//           ^
}
