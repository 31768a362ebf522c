//go:build slow && unix

package linksim_test

import (
	"context"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
)

// served puts petrel's simulated CAN controller on a pseudo-terminal and returns its name.
func served(t *testing.T, more func(a *slcan.Adapter)) string {
	t.Helper()
	near, far, err := port.Pseudo()
	if err != nil {
		t.Skip("no pseudo-terminal here: ", err)
	}
	b, s, _ := petrel(t)
	m := objects(t)
	clock := port.SystemClock()
	sim, err := linksim.New(b, s, m.Describe(), clock, linksim.Options{})
	require.NoError(t, err)
	a := sim.Adapter(m, clock)
	if more != nil {
		more(a)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- a.Serve(ctx, near, 2*time.Millisecond) }()
	t.Cleanup(func() {
		stop()
		<-ended
		_ = near.Close()
	})
	return far
}

// foreign drives the node frame by frame, by SDO and by PDO, with a CAN library that nobody here wrote (python-can 4.1, Debian python3-can).
const foreign = `
import sys, can
bus = can.Bus(interface="slcan", channel=sys.argv[1], bitrate=250000, sleep_after_open=0.1)
def ask(data, want=0x585):
    bus.send(can.Message(arbitration_id=0x605, data=bytes.fromhex(data), is_extended_id=False))
    for _ in range(200):
        m = bus.recv(1.0)
        if m is None: return "nothing"
        if m.arbitration_id == want: return m.data.hex().upper()
    return "others only"
print(ask("4018100100000000"))                       # vendor
print(ask("4010200100000000"))                       # a setting
print(ask("2B102001C8000000"))                       # locked
print(ask("2BF02F015A000000"), ask("23F02F02A5A5A5A5"), ask("2B102001C8000000"), ask("4010200100000000"))
print(ask("2310200100000000"))                       # wrong length
print(ask("2B10200100900000"))                       # too high
print(ask("4000300000000000"))                       # not there
print(ask("4008100000000000"))                       # segmented
text, toggle = b"", 0x60
while True:
    r = bytes.fromhex(ask("%02X00000000000000" % toggle))
    text += r[1:8 - (r[0] >> 1 & 7)]
    if r[0] & 1: break
    toggle ^= 0x10
print(text.decode())
beats = 0
for _ in range(400):
    m = bus.recv(1.2)
    if m is not None and m.arbitration_id == 0x705 and m.data == b"\x7f": beats += 1
    if beats == 2: break
print("beats", beats)
def until(id, data=None, last=600):
    for _ in range(last):
        m = bus.recv(1.2)
        if m is not None and m.arbitration_id == id and (data is None or m.data.hex().upper() == data): return m.data.hex().upper()
    return "never"
def send(id, data): bus.send(can.Message(arbitration_id=id, data=bytes.fromhex(data), is_extended_id=False))
send(0x205, "01F401"); print(ask("4000230100000000"))  # an RPDO before it is started
send(0x000, "0105"); print(until(0x705, "05"))          # started
print(until(0x185))                                     # TPDO: 53.36 V, 0 A, 0 rpm
print(ask("2F02230001000000"), ask("4001230000000000")) # enabled, and ready
send(0x205, "01F401"); print(ask("4000230100000000"))   # 500
print(until(0x085, "5082010000000000"))                 # and silence: 8250
print(ask("4001230000000000"))                          # not ready any more
send(0x205, "01"); print(until(0x085))                  # too short: 8210
send(0x000, "8105"); print(until(0x705, "00"))          # reset: boot-up
bus.shutdown()
`

func TestForeignHostDrivesTheNode(t *testing.T) {
	if err := exec.Command("/usr/bin/python3", "-c", "import can, serial").Run(); err != nil {
		t.Skip("python3-can is not installed (apt-get install python3-can): ", err)
	}
	out, err := exec.Command("/usr/bin/python3", "-c", foreign, served(t, nil)).CombinedOutput()
	require.NoError(t, err, string(out))
	assert.Equal(t, []string{
		"43181001BC0A0000",
		"4B10200118010000", // 140 A of 0.5 A each
		"8010200122000008", // device state: locked
		"60F02F0100000000 60F02F0200000000 6010200100000000 4B102001C8000000",
		"8010200110000706",
		"8010200131000906",
		"8000300000000206",
		"4108100022000000",
		"petrel's CAN controller (invented)",
		"beats 2",
		"4B00230100000000",
		"05",
		"D8140000000000",
		"6002230000000000 4F01230001000000",
		"4B002301F4010000",
		"5082010000000000",
		"4F01230000000000",
		"1082010000000000",
		"00",
	}, strings.Split(strings.TrimSpace(string(out)), "\n"))
}

// flood is a node that sends 7,000 frames a second beside what the node behind it does.
type flood struct {
	slcan.Node
	clock port.Clock
	begun time.Time
	sent  int
}

func (f *flood) Tick() []slcan.Frame {
	list := f.Node.Tick()
	now := f.clock.Now()
	if f.begun.IsZero() {
		f.begun = now
	}
	for due := int(now.Sub(f.begun).Seconds() * 7000); f.sent < due; f.sent++ {
		list = append(list, slcan.Frame{ID: 0x185, Data: []byte{byte(f.sent), byte(f.sent >> 8), 0, 0, 0, 0, 0, 0}})
	}
	return list
}

// 7,000 frames a second beside it cost no answer.
func TestABusyBusCostsNoAnswer(t *testing.T) {
	near, far, err := port.Pseudo()
	if err != nil {
		t.Skip("no pseudo-terminal here: ", err)
	}
	b, s, _ := petrel(t)
	m := objects(t)
	clock := port.SystemClock()
	sim, err := linksim.New(b, s, m.Describe(), clock, linksim.Options{})
	require.NoError(t, err)
	node := &flood{Node: objmap.NewNode(m, sim, clock, canopen.Acts), clock: clock}
	a := slcan.NewAdapter(node, clock)
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- a.Serve(ctx, near, time.Millisecond) }()
	defer func() { stop(); <-ended; _ = near.Close() }()
	p, err := port.Open(port.Address{Name: far, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
	require.NoError(t, err)
	defer p.Close()
	client, shut, err := objmap.Connect(t.Context(), m.Rate(), m.Node(), p, clock, 3*time.Second, false)
	require.NoError(t, err)
	begun, asked := clock.Now(), 0
	for clock.Now().Sub(begun) < 5*time.Second {
		data, _, err := client.Upload(t.Context(), canopen.VendorID())
		require.NoError(t, err, "after %d answers", asked)
		assert.Equal(t, []byte{0xBC, 0x0A, 0, 0}, data)
		asked++
	}
	require.NoError(t, shut())
	t.Logf("%d answers beside %d frames", asked, node.sent)
	assert.Greater(t, asked, 100)
}
