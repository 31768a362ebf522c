package linksim

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/nmea"
	"quaybench/bench/link/port"
	"quaybench/bench/link/scpi"
)

// Beside is a simulated instrument on the same boat as the simulated controller.
type Beside struct {
	Name string // gps, meter, logger
	Doc  string
	Baud int // it is usual on such a line
	// Serve sends or answers until the context ends or the port is lost.
	Serve func(ctx context.Context, c *Controller, p port.Port) error
}

// Instruments returns those that can be simulated.
func Instruments() []Beside {
	return []Beside{
		{"gps", "a GPS and a log on one line: NMEA 0183, speed over ground and through the water once a second", 4800, serveSentences},
		{"meter", "a meter in the battery cable: SCPI, MEAS:VOLT? and MEAS:CURR? are battery voltage and current", 9600, serveMeter},
		{"logger", "a logger with a header: motor current and motor temperature, ten lines a second", 115200, serveLines},
	}
}

// each calls act again and again, with a pause between.
func (c *Controller) each(ctx context.Context, pause time.Duration, act func() error) error {
	for {
		if err := act(); err != nil && !errors.Is(err, port.ErrWriteTimeout) { // nobody may be listening
			return err
		}
		if err := c.clock.Sleep(ctx, pause); err != nil {
			return err
		}
	}
}

func serveSentences(ctx context.Context, c *Controller, p port.Port) error {
	sealed := func(body string) []byte { return fmt.Appendf(nil, "$%s*%02X\r\n", body, nmea.CheckSum([]byte(body))) }
	return c.each(ctx, time.Second, func() error {
		now := c.clock.Now().UTC()
		ground := c.Reading(link.SpeedOverGround) * 3600 / 1852
		water := math.Abs(c.Reading(link.BoatSpeed)) * 3600 / 1852 // a paddle wheel tells no sign
		text := sealed(fmt.Sprintf("GPRMC,%s,A,0000.00,N,00000.00,E,%.2f,0.0,%s,,,A", now.Format("150405.00"), ground, now.Format("020106")))
		text = append(text, sealed(fmt.Sprintf("GPVTG,0.0,T,,M,%.2f,N,%.2f,K,A", ground, 1.852*ground))...)
		text = append(text, sealed(fmt.Sprintf("VWVHW,,T,,M,%.2f,N,%.2f,K", water, 1.852*water))...)
		return p.Write(ctx, text)
	})
}

func serveMeter(ctx context.Context, c *Controller, p port.Port) error {
	read := func(channel string) func() float64 { return func() float64 { return c.Reading(channel) } }
	s := &scpi.Server{Identity: "quaybench,simulated meter,0,1", Readings: map[string]func() float64{
		"MEASure[:SCALar]:VOLTage[:DC]?": read(link.Voltage),
		"MEASure[:SCALar]:CURRent[:DC]?": read(link.BatteryCurrent),
	}}
	return s.Serve(ctx, p)
}

func serveLines(ctx context.Context, c *Controller, p port.Port) error {
	begun := c.clock.Now()
	lines := 0
	return c.each(ctx, 100*time.Millisecond, func() error {
		var text []byte
		if lines++; lines%20 == 1 { // now and then again, for who comes late
			text = append(text, "time [s];motor current [A];motor temperature [°C]\r\n"...)
		}
		return p.Write(ctx, fmt.Appendf(text, "%.1f;%.1f;%.1f\r\n", c.clock.Now().Sub(begun).Seconds(), c.Reading(link.MotorCurrent), c.Reading(link.MotorTemperature)-273.15))
	})
}
