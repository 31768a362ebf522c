package modbus_test

import (
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// What this file checks against is published. "confirmed" means seen in a
// stored copy of a secondary source, "memory" that it was not; X-numbers are
// the rows of checks.md, section 12.

func unhex(t testing.TB, text string) []byte {
	t.Helper()
	p, err := hex.DecodeString(strings.ReplaceAll(text, " ", ""))
	require.NoError(t, err)
	return p
}

func TestPublishedCheckSums(t *testing.T) {
	assert.Equal(t, uint16(0x4B37), modbus.CRC([]byte("123456789")), "X-01: catalogue of CRC algorithms, CRC-16/MODBUS; confirmed")

	for _, c := range []struct{ frame, wire, source string }{
		{"01 03 00 85 00 01", "95 E3", "X-02: issue of a Modbus library; confirmed"},
		{"01 03 00 00 00 01", "84 0A", "X-03: common example; memory, recomputed"},
		{"02 07", "41 12", "X-04: MODBUS over Serial Line V1.02, figure 30; confirmed (quoted with its page)"},
		{"11 03 00 6B 00 03", "76 87", "X-05: tutorials; confirmed"},
		{"11 06 00 01 00 03", "9A 9B", "X-05: tutorials; memory, recomputed"},
		{"01 83 02", "C0 F1", "X-05: tutorials; memory, recomputed"},
		{"11 03 06 02 2B 00 00 00 64", "C8 BA", "tests of a public library; confirmed"},
		{"11 0F 00 13 00 0A 02 CD 01", "BF 0B", "blog.csdn.net/xukai871105/article/details/16368567; confirmed"},
		{"11 10 00 01 00 02 04 00 0A 01 02", "C6 F0", "the same page; confirmed"},
		{"11 10 00 01 00 02", "12 98", "the same page; confirmed"},
		{"11 01 00 13 00 25", "0E 84", "cnblogs.com/wenhao-Web/p/14056702.html; confirmed"},
		{"11 01 05 CD 6B B2 0E 1B", "45 E6", "the same page; confirmed"},
		{"01 03 00 02 00 01", "25 CA", "cloud.tencent.com/developer/article/1967396; confirmed"},
	} {
		body := unhex(t, c.frame)
		whole := append(body, unhex(t, c.wire)...)
		frame, err := modbus.ParseFrame(whole)
		require.NoError(t, err, "%s (%s)", c.frame, c.source)
		assert.Equal(t, whole, frame.Bytes(), c.source)
	}
}

// MODBUS over Serial Line V1.02 p. 13 by X-06; confirmed. D13: 11 bits per
// character, where some libraries use 10.
func TestPublishedTiming(t *testing.T) {
	for _, c := range []struct {
		baud            int
		inside, between time.Duration // to the microsecond, as printed
	}{
		{9600, 1719 * time.Microsecond, 4010 * time.Microsecond},
		{19200, 859 * time.Microsecond, 2005 * time.Microsecond}, // t1.5: 16.5 bits, arithmetic
		{19201, 750 * time.Microsecond, 1750 * time.Microsecond},
		{115200, 750 * time.Microsecond, 1750 * time.Microsecond},
	} {
		timing := modbus.TimingAt(c.baud)
		assert.Equal(t, c.inside, timing.Inside.Round(time.Microsecond), "t1.5 at %d", c.baud)
		assert.Equal(t, c.between, timing.Between.Round(time.Microsecond), "t3.5 at %d", c.baud)
	}
	assert.InDelta(t, 4.0104, float64(modbus.TimingAt(9600).Between)/1e6, 0.00005, "ms; X-06, confirmed to this digit")
	assert.Panics(t, func() { modbus.TimingAt(0) })
}

// MODBUS Application Protocol V1.1b3, section 7, by X-07; confirmed.
func TestPublishedExceptionCodes(t *testing.T) {
	for code, name := range map[modbus.Code]string{
		1: "illegal function", 2: "illegal data address", 3: "illegal data value", 4: "server failure",
		5: "acknowledge", 6: "server busy", 8: "memory parity", 10: "gateway path", 11: "gateway target",
	} {
		assert.Contains(t, code.Error(), name)
	}
	assert.Equal(t, "unknown reason", modbus.Code(7).Error())
}

// MODBUS Application Protocol V1.1b3, the worked example of each function,
// without unit and check sum. confirmed: quoted with section and page in a
// public repository that read them from the document; memory: not seen.
var published = []struct {
	source          string
	request, answer string
	ask             func(t *testing.T, m *modbus.Master) // and what its reply must read as
}{
	{
		"section 6.1, p. 12, outputs 20-38; confirmed", "01 00 13 00 13", "01 03 CD 6B 05",
		func(t *testing.T, m *modbus.Master) {
			bits, err := m.ReadBits(t.Context(), 17, modbus.ReadCoils, 0x13, 19)
			require.NoError(t, err)
			// "output 27 is the MSB of this byte, and output 20 is the LSB"
			assert.Equal(t, "1011001111010110101", digits(bits))
		},
	},
	{
		"section 6.2, inputs 197-218; memory", "02 00 C4 00 16", "02 03 AC DB 35",
		func(t *testing.T, m *modbus.Master) {
			bits, err := m.ReadBits(t.Context(), 17, modbus.ReadDiscrete, 0xC4, 22)
			require.NoError(t, err)
			assert.Equal(t, "0011010111011011101011", digits(bits))
		},
	},
	{
		"section 6.3, p. 15, registers 108-110; confirmed", "03 00 6B 00 03", "03 06 02 2B 00 00 00 64",
		func(t *testing.T, m *modbus.Master) {
			registers, err := m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, 0x6B, 3)
			require.NoError(t, err)
			assert.Equal(t, []uint16{555, 0, 100}, registers)
		},
	},
	{
		"section 6.4, input register 9; memory", "04 00 08 00 01", "04 02 00 0A",
		func(t *testing.T, m *modbus.Master) {
			registers, err := m.ReadRegisters(t.Context(), 17, modbus.ReadInput, 8, 1)
			require.NoError(t, err)
			assert.Equal(t, []uint16{10}, registers)
		},
	},
	{
		"section 6.5, p. 18, coil 173 on; confirmed", "05 00 AC FF 00", "05 00 AC FF 00",
		func(t *testing.T, m *modbus.Master) { require.NoError(t, m.WriteCoil(t.Context(), 17, 0xAC, true)) },
	},
	{
		"section 6.6, register 2 to 3; memory (X-05 has the same frame)", "06 00 01 00 03", "06 00 01 00 03",
		func(t *testing.T, m *modbus.Master) { require.NoError(t, m.WriteRegister(t.Context(), 17, 1, 3)) },
	},
	{
		"section 6.11, ten coils from 20; confirmed by the page of its check sum above", "0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A",
		func(t *testing.T, m *modbus.Master) {
			require.NoError(t, m.WriteCoils(t.Context(), 17, 0x13, fromDigits("1011001110")))
		},
	},
	{
		"section 6.12, p. 30-31, two registers; confirmed", "10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02",
		func(t *testing.T, m *modbus.Master) {
			require.NoError(t, m.WriteRegisters(t.Context(), 17, 1, []uint16{0x000A, 0x0102}))
		},
	},
	{
		"section 7, p. 47, output 1185 does not exist; confirmed", "01 04 A1 00 01", "81 02",
		func(t *testing.T, m *modbus.Master) {
			_, err := m.ReadBits(t.Context(), 17, modbus.ReadCoils, 0x4A1, 1)
			var refusal *modbus.Exception
			require.ErrorAs(t, err, &refusal)
			assert.Equal(t, &modbus.Exception{Unit: 17, Function: modbus.ReadCoils, Code: 2}, refusal)
			assert.ErrorIs(t, err, modbus.IllegalDataAddress)
		},
	},
}

func digits(bits []bool) string {
	var b strings.Builder
	for _, on := range bits {
		b.WriteByte("01"[map[bool]int{true: 1}[on]])
	}
	return b.String()
}

func fromDigits(text string) []bool {
	bits := make([]bool, len(text))
	for i := range bits {
		bits[i] = text[i] == '1'
	}
	return bits
}

// wire puts unit 17 (11 hex) before and the check sum behind.
func wire(t testing.TB, body string) []byte {
	p := unhex(t, body)
	return modbus.Frame{Unit: 17, Function: modbus.Function(p[0]), Data: p[1:]}.Bytes()
}

// The master sends the published request and reads the published reply.
func TestMasterOnPublishedExamples(t *testing.T) {
	for _, example := range published {
		t.Run(example.source, func(t *testing.T) {
			near, far := linktest.Pipe()
			m := modbus.NewMaster(near, modbus.TimingAt(115200), port.WallClock{})
			go answerOnce(t, far, wire(t, example.request), wire(t, example.answer))
			example.ask(t, m)
		})
	}
}

// answerOnce checks a request and sends an answer.
func answerOnce(t *testing.T, far port.Port, request, answer []byte) {
	var got []byte
	for len(got) < len(request) {
		buffer := make([]byte, 256)
		n, err := far.Read(t.Context(), buffer, time.Minute)
		if !assert.NoError(t, err) {
			return
		}
		got = append(got, buffer[:n]...)
	}
	assert.Equal(t, request, got)
	assert.NoError(t, far.Write(t.Context(), answer))
}

// The server, holding the values of the examples, gives the published replies.
func TestServerOnPublishedExamples(t *testing.T) {
	bank := &linktest.Bank{Coils: make([]bool, 200), Discrete: make([]bool, 300), Holding: make([]uint16, 200), Input: make([]uint16, 20)}
	copy(bank.Coils[0x13:], fromDigits("1011001111010110101"))
	copy(bank.Discrete[0xC4:], fromDigits("0011010111011011101011"))
	copy(bank.Holding[0x6B:], []uint16{555, 0, 100})
	bank.Input[8] = 10
	server := modbus.NewServer(17, bank, modbus.TimingAt(19200), port.WallClock{})
	for _, example := range published {
		assert.Equal(t, wire(t, example.answer), server.Answer(wire(t, example.request)), example.source)
	}
	assert.True(t, bank.Coils[0xAC])
	assert.Equal(t, []uint16{0x000A, 0x0102}, bank.Holding[1:3])
	assert.Equal(t, "1011001110", digits(bank.Coils[0x13:0x1D]))
}

// with 100 registers, 4 from 96 work and 5 from 96 give exception 2
// (MODBUS Application Protocol, address rule; confirmed).
func TestPublishedAddressRule(t *testing.T) {
	bank := &linktest.Bank{Coils: make([]bool, 100), Discrete: make([]bool, 100), Holding: make([]uint16, 100), Input: make([]uint16, 100)}
	server := modbus.NewServer(17, bank, modbus.TimingAt(19200), port.WallClock{})
	for function := 1; function <= 4; function++ {
		works := server.Answer(modbus.Frame{Unit: 17, Function: modbus.Function(function), Data: []byte{0, 96, 0, 4}}.Bytes())
		assert.Equal(t, byte(function), works[1])
		refused := server.Answer(modbus.Frame{Unit: 17, Function: modbus.Function(function), Data: []byte{0, 96, 0, 5}}.Bytes())
		assert.Equal(t, []byte{17, byte(function) | 0x80, 2}, refused[:3])
	}
	refused := server.Answer(wire(t, "10 00 60 00 05 0A 00 01 00 02 00 03 00 04 00 05"))
	assert.Equal(t, []byte{17, 0x90, 2}, refused[:3])
	assert.Equal(t, make([]uint16, 100), bank.Holding, "a refused write changes nothing")
}

// "function code supported? 01; quantity in range, byte count consistent? 03;
// address OK, address + quantity OK? 02; processing OK? 04" in this order:
// MODBUS Application Protocol V1.1b3, figures 11 and 22; confirmed.
func TestServerChecksInThePublishedOrder(t *testing.T) {
	server := modbus.NewServer(17, &linktest.Bank{}, modbus.TimingAt(19200), port.WallClock{})
	for request, code := range map[string]byte{
		"07":                            1, // not spoken here
		"2B 0E 01 00":                   1,
		"03 00 00 00 00":                3, // count 0, and the address is wrong too
		"03 00 00 00 7E":                3, // 126
		"01 00 00 07 D1":                3, // 2001
		"10 00 00 00 7C F6" + nul(246):  3, // 124 registers
		"0F 00 00 07 B1 F7" + nul(247):  3, // 1969 coils
		"10 00 00 00 02 03 00 01 00":    3, // byte count
		"10 00 00 00 02 04 00 01 00":    3, // fewer than it says
		"05 00 00 12 34":                3, // neither on nor off
		"06 00 00 00":                   3, // cut short
		"03 FF FF 00 02":                2, // beyond the end of all addresses
		"03 00 00 00 7D":                2,
		"01 00 00 07 D0":                2,
		"10 00 00 00 7B F6" + nul(246):  2,
		"0F 00 00 07 B0 F6" + nul(246):  2,
		"05 00 00 FF 00":                2,
		"06 00 00 00 01":                2,
		"10 00 00 00 01 02 00 01":       2,
		"0F 00 00 00 01 01 01":          2,
		"02 00 00 00 01":                2,
		"04 00 00 00 01":                2,
		"0F 00 00 00 01 02 01 00":       3,
		"0F 00 00 00 09 01 01":          3,
		"16 00 04 00 F2 00 25":          1,
		"17 00 03 00 06 00 0E 00 03 06": 1,
	} {
		reply := server.Answer(wire(t, request))
		function := unhex(t, request)[0]
		assert.Equal(t, []byte{17, function | 0x80, code}, reply[:3], request)
	}
}

func nul(count int) string { return strings.Repeat("00", count) }
