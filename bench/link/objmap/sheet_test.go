package objmap_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/link/eds"
	"quaybench/bench/link/objmap"
	"quaybench/bench/settings"
)

// sheet is an invented data sheet of petrel's controller: its readings, and the mapping of TPDO 1. Entries are written in
// decimal too, as tools do (V-50).
const sheet = `[2100]
ParameterName=Readings
ObjectType=0x9
SubNumber=5
[2100sub1]
ParameterName=Voltage
DataType=0x0006
AccessType=ro
PDOMapping=1
[2100sub2]
ParameterName=Motor current
DataType=0x0010
AccessType=ro
PDOMapping=1
[2100sub3]
ParameterName=Stage
DataType=0x0002
AccessType=ro
PDOMapping=0
[2100sub4]
ParameterName=Speed
DataType=0x0006
AccessType=ro
PDOMapping=1
[1A00]
ParameterName=TPDO 1 mapping
ObjectType=0x9
SubNumber=4
[1A00sub0]
ParameterName=Number of entries
DataType=0x0005
AccessType=rw
DefaultValue=3
[1A00sub1]
ParameterName=Entry 1
DataType=0x0007
AccessType=rw
DefaultValue=553648400
[1A00sub2]
ParameterName=Entry 2
DataType=0x0007
AccessType=rw
DefaultValue=0x21000218
[1A00sub3]
ParameterName=Entry 3
DataType=0x0007
AccessType=rw
DefaultValue=0x21000410
`

// The throttle of a map is held against a data sheet.
func TestThrottleAgainstTheSheet(t *testing.T) {
	const command = `[2300sub1]
ParameterName=Throttle
DataType=0x0003
AccessType=rww
PDOMapping=1
[2302]
ParameterName=Enable
DataType=0x0005
AccessType=rw
PDOMapping=1
[1600sub0]
ParameterName=Number of entries
DataType=0x0005
AccessType=rw
DefaultValue=2
[1600sub1]
ParameterName=Entry 1
DataType=0x0007
AccessType=rw
DefaultValue=0x23020008
[1600sub2]
ParameterName=Entry 2
DataType=0x0007
AccessType=rw
DefaultValue=0x23000110
`
	m, err := objmap.Load("objects.toml", benchtest.File(t, "petrel", "objects.toml"), settings.Fields())
	require.NoError(t, err)
	for _, c := range []struct{ old, new, want string }{
		{"", "", ""},
		{"DataType=0x0003", "DataType=0x0006", "object 2300:01 is a u16"},
		{"AccessType=rww", "AccessType=ro", "object 2300:01 can be read only"},
		{"AccessType=rww\nPDOMapping=1", "AccessType=rww", "object 2300:01: by the data sheet (line 1) no PDO can carry it"},
		{"0x23000110", "0x23010110", "object 2300:01: by the data sheet (line 11) RPDO 1 does not carry it"},
		{"[2302]", "[2303]", "the data sheet has no object 2302:00"},
	} {
		s, err := eds.Read("sheet.eds", []byte(strings.Replace(command, c.old, c.new, 1)))
		require.NoError(t, err)
		if against := m.ThrottleAgainst(s); c.want == "" {
			assert.Empty(t, against)
		} else {
			assert.Contains(t, against, c.want)
		}
	}
}

// A map is held against a data sheet, PDOs too.
func TestAgainstTheSheet(t *testing.T) {
	text := string(benchtest.File(t, "petrel", "objects.toml"))
	for name, c := range map[string]struct {
		inMap, inSheet [2]string
		reading, want  string
	}{
		"as it is":       {want: ""},
		"no PDO can":     {inMap: [2]string{"type = \"s8\"\n", "type = \"s8\"\ntpdo = 1\n"}, reading: "stage_temperature", want: "by the data sheet (line 15) no PDO can carry it"},
		"not carried":    {inSheet: [2]string{"DefaultValue=0x21000410", "DefaultValue=0x21000508"}, reading: "motor_speed", want: "by the data sheet (line 29) TPDO 1 does not carry it, unless it was changed in the controller"},
		"no such TPDO":   {inMap: [2]string{"type = \"s24\"\ntpdo = 1", "type = \"s24\"\ntpdo = 3"}, reading: "motor_current", want: "the data sheet has no TPDO 3 (1A02)"},
		"another type":   {inMap: [2]string{"type = \"s24\"\ntpdo = 1", "type = \"s32\"\ntpdo = 1"}, reading: "motor_current", want: "by the data sheet (line 10) it is a s24"},
		"a count of 0":   {inSheet: [2]string{"DefaultValue=3", "DefaultValue=0"}, want: ""},
		"changed by DCF": {inSheet: [2]string{"DefaultValue=0x21000410", "DefaultValue=0x21000410\nParameterValue=0x21000508"}, reading: "motor_speed", want: "TPDO 1 does not carry it"},
	} {
		t.Run(name, func(t *testing.T) {
			m, err := objmap.Load("objects.toml", []byte(replaced(text, c.inMap)), settings.Fields())
			require.NoError(t, err)
			s, err := eds.Read("sheet.eds", []byte(replaced(sheet, c.inSheet)))
			require.NoError(t, err)
			for _, r := range m.Readings {
				against := m.Against(s, r.Field)
				if r.Name != c.reading {
					assert.Empty(t, against, r.Name)
					continue
				}
				assert.Contains(t, against, c.want)
			}
		})
	}
}

func replaced(text string, change [2]string) string {
	if change[0] == "" {
		return text
	}
	return strings.Replace(text, change[0], change[1], 1)
}
