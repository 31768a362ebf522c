package objmap_test

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
	"quaybench/bench/settings"
)

func TestLoad(t *testing.T) {
	m, err := objmap.Load("objects.toml", benchtest.File(t, "petrel", "objects.toml"), settings.Fields())
	require.NoError(t, err)
	assert.EqualValues(t, 5, m.Node())
	assert.Equal(t, 250_000, m.Rate().Bits)
	d := m.Describe()
	assert.Len(t, d.Settings, 8)
	assert.Equal(t, &link.Throttle{Astern: true, CommandTimeout: 300 * time.Millisecond, Ready: "node 5 is started, so that it obeys receive PDOs, 2302:00 = 01 is written"}, d.Throttle)
}

// Every mistake comes with file, line and column, and says what to do.
func TestMistakes(t *testing.T) {
	text := string(benchtest.File(t, "petrel", "objects.toml"))
	for _, c := range []struct{ old, new, want string }{
		{"node_id = 5", "node_id = 128", "127"},
		{`rate = "250 kbit/s"`, `rate = "83 kbit/s"`, "250 kbit/s"},
		{"index = 0x2013", "index = 0x2012", "already throttle.neutral_start in line"},
		{"index = 0x2013", "index = 0x1010", "stores or restores"},
		{"index = 0x2FF0\nsub = 2", "index = 0x1011\nsub = 2", "stores or restores"},
		{"index = 0x2013", "index = 0x10", "4096"},
		{"value = 0x5A\n", "value = 0x15A5A\n", "is not what a u16 holds"},
		{"mask = 0x006F", "mask = 0x1006F", "has bits that a u16 has not"},
		{`equals = ["0x0027", "0x0007"]`, `equals = ["0x0080"]`, "outside the mask"},
		{`equals = ["0x0027", "0x0007"]`, `equals = ["on"]`, "is no number"},
		{`equals = ["0x0027", "0x0007"]`, "when_clear = true\nequals = [\"0x0027\"]", "makes no sense beside equals"},
		{"mask = 0x006F\nequals = [\"0x0027\", \"0x0007\"]", "", "write one of them"},
		{`type = "s24"`, `type = "s64"`, "s24"},
		{`max = "250 A"`, `max = "250000 A"`, "but a u16 holds"},
		{"key = \"voltage\"", "key = \"batery_current\"", "is battery_current meant"},
		{"index = 0x2300\nsub = 1", "index = 0x2010\nsub = 1", "is already limits.motor_current in line"},
		{"ahead = 1000", "ahead = 100000", "count 100000 is not what a s16 holds"},
		{"ahead = 1000", "ahead = 0", "full ahead is the same count as zero"},
		{"astern = -1000", "astern = 500", "add [throttle.direction] where a second object chooses"},
		{`command_timeout = "300 ms"`, `command_timeout = "10 ms"`, "20 ms"},
		{`watch = "commands"`, `watch = "event timer"`, "commands"},
		{`watch = "commands"`, `watch = "heartbeat"`, "our_node is missing"},
		{`watch = "commands"`, "watch = \"heartbeat\"\nour_node = 5", "the controller's own node number"},
		{`heartbeat = "1 s"`, "", "heartbeat is missing: with a throttle"},
		{"[identity]\nvendor = 0x00000ABC\nproduct = 0x00000007\n", "", "[identity] is missing: with a throttle another device at this node number must be refused"},
		{"rpdo = 1\n", "rpdo = 1\nrpdo_id = 0x605\n", "605 is no identifier of a PDO"},
		{"rpdo = 1\n", "rpdo_id = 0x186\n", "say which (rpdo)"},
		{"rpdo = 1\n", "", "this goes along in a receive PDO: say which (rpdo)"},
		{"[[throttle.after_start]]\nindex = 0x2302", "[[throttle.after_start]]\nindex = 0x1017", "is the device's own communication"},
		{"[[throttle.after_start]]\nindex = 0x2302", "[[throttle.after_start]]\nindex = 0x1600", "is the device's own communication"},
		{"[[throttle.after_start]]\nindex = 0x2302", "[[throttle.after_start]]\nindex = 0x1010\nsub = 1", "stores or restores"},
		{"[[throttle.after_start]]\nindex = 0x2302\ntype = \"u8\"", "[[throttle.after_start]]\nindex = 0x2302\ntype = \"u16\"", "2302:00 is a u8 in line"},
		{"[[throttle.with]]\nindex = 0x2302", "[[throttle.with]]\nindex = 0x2300\nsub = 1", "is already the throttle command in line"},
		{"index = 0x2013", "index = 0x1400", "1400:00 is the device's own communication, which nothing here changes"},
		{"index = 0x2FF0\nsub = 1", "index = 0x1017", "1017:00 is the device's own communication"},
		{"index = 0x2FF0\nsub = 1", "index = 0x6040", "6040:00 commands the drive (CiA 402): it goes below [throttle]"},
		{"index = 0x2013", "index = 0x6071", "6071:00 commands the drive (CiA 402)"},
		{"index = 0x2013", "index = 0x6871", "6871:00 commands the drive (CiA 402)"}, // the second motor's
		{"index = 0x2FF0\nsub = 1", "index = 0x9840", "9840:00 commands the drive (CiA 402)"},
		{"index = 0x2013", "index = 0x60C1", "60C1:00 commands the drive (CiA 402)"},
		{"[[throttle.after_start]]\nindex = 0x2302\ntype = \"u8\"", "[[throttle.after_start]]\nindex = 0x68FF\ntype = \"u32\"", "68FF:00 commands a motion (CiA 402)"},
		{"[[throttle.after_start]]\nindex = 0x2302\ntype = \"u8\"", "[[throttle.after_start]]\nindex = 0x60FF\ntype = \"u32\"", "60FF:00 commands a motion (CiA 402), and with this it would do so beside the throttle"},
		{`equals = ["0x01"]`, `equals = ["0x02"]`, "outside the mask"},
		{`equals = ["0x01"]`, `equals = ["0x00", "0x01"]`, "these are all states that the mask has"},
		{"key = \"ramp.rise\"", "key = \"ramp.rise\"\ntpdo = 1", "a setting is always asked for"},
		{`unit = "A"`, `unit = "V"`, "a voltage is wanted"},
	} {
		require.Contains(t, text, c.old)
		_, err := objmap.Load("wrong.toml", []byte(strings.Replace(text, c.old, c.new, 1)), settings.Fields())
		if assert.Error(t, err, c.new) {
			assert.Contains(t, err.Error(), c.want)
			assert.Regexp(t, `wrong\.toml:\d+:\d+: `, err.Error())
		}
	}
	_, err := objmap.Load("right.toml", []byte(strings.Replace(text, "[[throttle.after_start]]\nindex = 0x2302", "[[throttle.before_start]]\nindex = 0x1400\nsub = 5\ntype = \"u16\"\nvalue = 300\n[[throttle.after_start]]\nindex = 0x2302", 1)), settings.Fields())
	assert.NoError(t, err, "a time-out may be told")
	m, err := objmap.Load("right.toml", []byte(strings.Replace(text, "rpdo = 1\n", "rpdo = 1\nrpdo_id = 0x186\n", 1)), settings.Fields())
	require.NoError(t, err)
	assert.Contains(t, m.Describe().Throttle.Ready, "commands go out with the identifier 186, which is not its own: whatever else on this bus takes it obeys too")
	start := strings.Index(text, "[running]")
	end := strings.Index(text, "[[unlock]]")
	_, err = objmap.Load("wrong.toml", []byte(text[:start]+text[end:]), settings.Fields())
	assert.ErrorContains(t, err, "[running] is missing")
}

// still is a device that holds what it was told.
type still map[string]float64

func (s still) Setting(key string) float64                 { return s[key] }
func (s still) SetSetting(key string, value float64) error { s[key] = value; return nil }
func (s still) Reading(string) float64                     { return 0 }
func (s still) Running() bool                              { return false }
func (s still) Throttle(float64)                           {}

// The simulated unit refuses what a careful controller refuses, with the code of CiA 301.
func TestUnitRefuses(t *testing.T) {
	m, err := objmap.Load("objects.toml", benchtest.File(t, "petrel", "objects.toml"), settings.Fields())
	require.NoError(t, err)
	d := still{}
	u := objmap.NewUnit(m, d, port.WallClock{})
	o := func(index uint16, sub byte) canopen.Object { return canopen.Object{Index: index, Sub: sub} }
	limit := o(0x2010, 1)
	assert.ErrorIs(t, u.Write(limit, []byte{100, 0}), canopen.DeviceState, "locked")
	require.NoError(t, u.Write(o(0x2FF0, 1), []byte{0x5A, 0}))
	assert.ErrorIs(t, u.Write(limit, []byte{100, 0}), canopen.DeviceState, "half unlocked")
	require.NoError(t, u.Write(o(0x2FF0, 2), []byte{0xA5, 0xA5, 0xA5, 0xA5}))
	require.NoError(t, u.Write(limit, []byte{100, 0}))
	assert.Equal(t, 50.0, d["limits.motor_current"])
	assert.ErrorIs(t, u.Write(limit, []byte{100, 0, 0, 0}), canopen.LengthMismatch)
	assert.ErrorIs(t, u.Write(limit, []byte{0xFF, 0xFF}), canopen.ValueTooHigh)
	assert.ErrorIs(t, u.Write(limit, []byte{0, 0}), canopen.ValueTooLow)
	assert.ErrorIs(t, u.Write(o(0x2011, 0), []byte{1}), canopen.InvalidValue, "no such word")
	assert.ErrorIs(t, u.Write(o(0x2016, 0), []byte{1}), canopen.ReadOnly)
	assert.ErrorIs(t, u.Write(canopen.VendorID(), []byte{1, 0, 0, 0}), canopen.ReadOnly)
	assert.ErrorIs(t, u.Write(o(0x3000, 0), []byte{1}), canopen.NoObject)
	_, err = u.Read(o(0x3000, 0))
	assert.ErrorIs(t, err, canopen.NoObject)
	data, err := u.Read(o(0x2010, 0))
	require.NoError(t, err)
	assert.Equal(t, []byte{2}, data, "the highest sub-index")
	_, err = u.Read(o(0x2010, 3))
	assert.ErrorIs(t, err, canopen.NoSubIndex)
	require.NoError(t, u.Write(o(0x2FF0, 1), []byte{0, 0}))
	assert.ErrorIs(t, u.Write(limit, []byte{100, 0}), canopen.DeviceState, "locked again")
}

// The map in the package's documentation is one that loads, and a node can be played by it.
func TestTheDocumentedMap(t *testing.T) {
	text := documented(t)
	m, err := objmap.Load("doc.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	assert.Equal(t, "1016:01 = 0001012C is written, node 5 is started, so that it obeys receive PDOs, 6040:00 = 0006 is written, heartbeats of node 1 are sent", m.Describe().Throttle.Ready)
	n := objmap.NewNode(m, still{}, port.WallClock{}, canopen.Acts)
	assert.Len(t, n.Tick(), 1)
}

func documented(t testing.TB) string {
	t.Helper()
	source, err := os.ReadFile("doc.go")
	require.NoError(t, err)
	var text strings.Builder
	for line := range strings.Lines(string(source)) {
		if strings.HasPrefix(line, "//\t") || line == "//\n" {
			text.WriteString(strings.TrimPrefix(strings.TrimPrefix(line, "//"), "\t"))
		}
	}
	return text.String()
}

func FuzzLoad(f *testing.F) {
	f.Add(benchtest.File(f, "petrel", "objects.toml"))
	f.Add([]byte(documented(f)))
	f.Add([]byte("title = \"x\"\nnode_id = 1\nrate = \"10 kbit/s\"\n[running]\nindex = 0x6041\ntype = \"u16\"\nmask = 1\nequals = [\"1\", \"0\"]\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := objmap.Load("fuzz.toml", data, nil)
		if err != nil {
			return
		}
		u := objmap.NewUnit(m, still{}, port.WallClock{})
		for index := uint16(0x1000); index < 0x1020; index++ {
			_, _ = u.Read(canopen.Object{Index: index})
		}
		m.Describe()
		n := objmap.NewNode(m, still{}, port.WallClock{}, canopen.Acts)
		for id := uint32(0); id < 0x7FF; id++ {
			n.Take(slcan.Frame{ID: id, Data: []byte{1, m.Node(), 1, 2, 3, 4, 5, 6}})
			n.Tick()
		}
	})
}
