package maptable_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/maptable"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/regmap"
	"quaybench/bench/settings"
)

func draft(t *testing.T, table string) *maptable.Draft {
	t.Helper()
	d, err := maptable.Make("manual.csv", []byte(table), maptable.Options{Title: "petrel's controller", Known: settings.Fields()})
	require.NoError(t, err)
	return d
}

const registers = `Name;Register;Table;Data type;Word order;Units;Factor;Minimum;Maximum;R/W;key
Motor current limit;16;holding;UINT16;;A;0,5;1;250;rw;limits.motor_current
Battery current limit;17;holding;dint;low first;A;0.001;1;200;rw;limits.battery_current
"Ramp; up";0x20;holding;u16;;s;0.1 s;0.1;20;rw;
Battery voltage;1;input;u16;;V;0.01;0;100;ro;voltage
Heat sink;5;input;s16;;°C;0.1;-40;120;r;stage_temperature
Neutral first;3;coil;bool;;;;;;rw;throttle.neutral_start
`

// A draft whose holes are filled is a map that loads and means what the table says.
func TestDraftOfRegisters(t *testing.T) {
	d := draft(t, registers)
	assert.False(t, d.Objects)
	assert.Equal(t, 5, d.Keyed)
	assert.Equal(t, 1, d.Open)
	assert.Contains(t, d.Text, "#[[setting]]   # Ramp; up\n#key = \"?\"")
	text := strings.Replace(d.Text, "#[running]\n#table = \"input\"       # coil, discrete, holding or input\n#address = 0\n#mask", "[running]\ntable = \"input\"\naddress = 0\nmask", 1)
	m, err := regmap.Load("registers.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	description := m.Describe()
	assert.Len(t, description.Settings, 3)
	assert.Len(t, description.Channels, 2)
	assert.Equal(t, 0.5, description.Settings[0].Step)
	assert.Equal(t, 250.0, description.Settings[0].Max)
}

func TestDraftOfObjects(t *testing.T) {
	d := draft(t, "name,index,sub,type,unit,scale,min,max,access,key,words\nLimit,0x2010,1,UNSIGNED16,A,0.5,1,250,rw,limits.motor_current,\nMode,2011:0A,,u8,,,,,rw,throttle.demand,torque=0|voltage=2\nStage,2100sub3,,INTEGER8,°C,1,-40,120,ro,stage_temperature,\n")
	assert.True(t, d.Objects)
	text := strings.Replace(d.Text, "#[running]\n#index = 0x6041\n#type = \"u16\"\n#mask = 0x006F            # the bits that tell\n#equals", "[running]\nindex = 0x6041\ntype = \"u16\"\nmask = 0x006F\nequals", 1)
	m, err := objmap.Load("objects.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	assert.Len(t, m.Describe().Settings, 2)
	assert.Equal(t, []string{"torque", "voltage"}, m.Describe().Settings[1].Words)
	assert.Contains(t, text, "index = 0x2011\nsub = 10")
}

// Every mistake in a table has its place and says what to do.
func TestMistakes(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"Name;", "Title;", "manual.csv:1:1: the column name is missing"},
		{"Register;", "Place;", "manual.csv:1:1: no column says where things are"},
		{"Data type;", "Kind;", "the column type is missing"},
		{"UINT16", "UINT17", `manual.csv:2:32: type "UINT17" is not known here`},
		{";16;", ";sixteen;", `address "sixteen" is no number`},
		{";16;", ";400001;", "is beyond 65535"},
		{"16;holding", "16;hold", "is none of holding, input, coil, discrete"},
		{"limits.motor_current", "limits.motor_curent", "there is no setting limits.motor_curent"},
		{";ro;voltage", ";ro;batery_current", "is battery_current meant"},
		{";1;250;", ";one;250;", "neither a number nor a number with its unit"},
		{";rw;limits.motor", ";sometimes;limits.motor", "is none of ro, rw"},
		{"Word order", "Units", "are both the column unit"},
	} {
		require.Contains(t, registers, c.old)
		_, err := maptable.Make("manual.csv", []byte(strings.Replace(registers, c.old, c.new, 1)), maptable.Options{Known: settings.Fields()})
		if assert.Error(t, err, c.new) {
			assert.Contains(t, err.Error(), c.want)
		}
	}
	r := rand.New(rand.NewPCG(1, 2))
	rubbish := make([]byte, 1<<20)
	for i := range rubbish {
		rubbish[i] = byte(r.Uint32())
	}
	for _, data := range [][]byte{nil, []byte("\n"), []byte("name;index\n"), rubbish} {
		_, err := maptable.Make("manual.csv", data, maptable.Options{})
		assert.ErrorContains(t, err, "manual.csv:1:1: ")
	}
}

// A table of 40 lines: what a small controller's manual has.
func TestFortyLines(t *testing.T) {
	var b strings.Builder
	b.WriteString("name;index;sub;type;unit;scale;min;max;access\n")
	for i := range 40 {
		fmt.Fprintf(&b, "Parameter %d;2%03X;%d;u16;A;0.1;0;400;rw\n", i, i, i%3)
	}
	d := draft(t, b.String())
	assert.Equal(t, 40, d.Open)
	assert.Equal(t, 40, strings.Count(d.Text, "key = \"?\""))
}

func FuzzMake(f *testing.F) {
	f.Add([]byte(registers))
	f.Add([]byte("name,index,type\na,2010:01,u8\n\"b\n\",0x2011,bool\n"))
	f.Add([]byte("name\tindex\ttype\twords\nx\t2000\tu8\ta=1|b=2\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := maptable.Make("x.csv", data, maptable.Options{Title: "x"})
		if err != nil {
			require.Regexp(t, `^x\.csv:\d+:\d+: `, err.Error())
			return
		}
		// Whatever stood in the table, the draft is a file that is read: its problems are of meaning, not of form.
		if d.Objects {
			_, err = objmap.Load("d.toml", []byte(d.Text), nil)
		} else {
			_, err = regmap.Load("d.toml", []byte(d.Text), nil)
		}
		if err != nil {
			require.NotContains(t, err.Error(), "toml: ")
		}
	})
}

// TestTablesAsManualsHaveThem: two invented tables with what is usual in them: titles and headings between the lines, merged cells, h behind
// hexadecimal numbers, units behind names, decimal commas beside thousands with points, factors as fractions, texts, another encoding.
func TestTablesAsManualsHaveThem(t *testing.T) {
	read := func(name string) *maptable.Draft {
		text, err := os.ReadFile("testdata/" + name)
		require.NoError(t, err)
		return draft(t, string(text))
	}
	d := read("objects.csv")
	assert.Equal(t, []int{22, 15, 1}, []int{d.Keyed, d.Open, d.Texts})
	text := strings.Replace(d.Text, "#[running]\n#index = 0x6041\n#type = \"u16\"\n#mask = 0x006F            # the bits that tell\n#equals", "[running]\nindex = 0x6041\ntype = \"u16\"\nmask = 0x006F\nequals", 1)
	m, err := objmap.Load("objects.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	by := map[string]string{}
	for _, s := range m.Settings {
		by[s.Key] = fmt.Sprintf("%v %v %s %g %g %v", s.Place, s.Kind, s.Unit, s.Min, s.Max, s.Words)
	}
	for _, r := range m.Readings {
		by[r.Name] = fmt.Sprintf("%v %v %s %g %g", r.Place, r.Kind, r.Channel.Unit, r.Scaling.Min, r.Scaling.Max)
	}
	for key, want := range map[string]string{
		"limits.battery_current": "object 2010:03 u16 A 0 250 []", "derating.stage_start": "object 2012:01 s16 °C 313.15 363.15 []", "throttle.demand": "object 2014:03 u8  0 1 [torque voltage]",
		"motor_speed": "object 2100:04 s16 rpm -1047.1975511965977 1047.1975511965977", "boost.time": "object 2010:06 u16 s 0 60 []",
	} {
		assert.Equal(t, want, by[key], key)
	}
	for _, p := range d.Perhaps {
		if p.Name == "Deceleration ramp" {
			assert.Equal(t, []string{"ramp.fall"}, p.Keys)
		}
	}

	d = read("registers.csv")
	assert.Equal(t, []int{0, 17, 1}, []int{d.Keyed, d.Open, d.Texts})
	assert.Empty(t, d.Unknown)
	assert.Contains(t, d.Text, "#[[setting]]   # Motorstrombegrenzung rückwärts\n#key = \"?\"   # perhaps limits.astern_current? Write the key and take the # away\n#table = \"holding\"   # Holding Register\n#address = 1\n#type = \"u16\"\n#unit = \"A\"\n#scale = \"0.1 A\"\n#min = \"0 A\"\n#max = \"400.0 A\"")
	assert.Contains(t, d.Text, "#address = 18\n#type = \"u16\"\n#unit = \"1/min\"\n#scale = \"1 1/min\"\n#min = \"0 1/min\"\n#max = \"10000 1/min\"", "12h, and 10.000 beside decimal commas")
}

// TestThousandsAndDecimals: what may be either is asked, never guessed.
func TestThousandsAndDecimals(t *testing.T) {
	for _, c := range []struct{ scale, max, want string }{
		{"0,1", "10.000", `max = "10000 A"`}, {"0.1", "10000", `max = "10000 A"`}, {"0,1", "1,000", `max = "1.000 A"`}, {"0,125", "0,250", `max = "0.250 A"`},
		{"1", "1,000", "may be thousands"}, {"0.1", "1,000", `max = "1000 A"`}, {"0.1", "0,5", `max = "0.5 A"`}, {"1/8", "400", `scale = "0.125 A"`}, {"x 0.1", "400", `scale = "0.1 A"`}, {"1/0", "1", "divides by zero"},
		{"0.1", "4x", `max = "4 x"`}, {"0.1", "four", "neither"}, {"0.1 A", "400 A", `max = "400 A"`}, {"1.2.3", "4", "neither"},
	} {
		d, err := maptable.Make("m.csv", []byte("name;index;sub;type;unit;scale;max;access\nLimit;2010;1;u16;A;"+c.scale+";"+c.max+";rw\n"), maptable.Options{})
		if err != nil {
			assert.ErrorContains(t, err, c.want)
			continue
		}
		assert.Contains(t, d.Text, c.want)
	}
}

// What a manual leaves open is asked for in the form that the map needs; what it says in passing is taken.
func TestWhatATableLeavesOpenIsAskedFor(t *testing.T) {
	d := draft(t, "name;index;sub;type;unit;access;remark;key\n"+
		"Control mode;2013;4;u8;;rw;0 = torque 1 = voltage;throttle.demand\n"+
		"Control mode;2013;5;u8;;rw;see chapter 4;throttle.demand\n"+
		"Interlock;2013;6;u8;;rw;;throttle.neutral_start\n"+
		"DC link capacitor temp;2104;10;s16;degC;ro;;\n"+
		"Voltage;2104;0x11;s16;V;ro;;\n"+
		"Max speed;2105;0;u16;rpm;rw;;\n"+
		"Stall speed;2105;1;u16;rpm;rw;;\n")
	assert.Contains(t, d.Text, "sub = 4\ntype = \"u8\"\nwords = [\"torque = 0\", \"voltage = 1\"]")
	assert.Contains(t, d.Text, "sub = 5\ntype = \"u8\"\nwords = [\"torque = ?\", \"voltage = ?\"]   # the count of each: the manual tells\n# the table says: see chapter 4")
	assert.Contains(t, d.Text, "sub = 6\ntype = \"u8\"\nwords = [\"false = ?\", \"true = ?\"]")
	assert.Contains(t, d.Text, "#sub = 16   # 10 hexadecimal, as standards write it; write 10 here if the manual counts in tens\n")
	assert.Contains(t, d.Text, "#sub = 17\n")
	require.Len(t, d.Perhaps, 2, "a temperature is no voltage, and the highest speed none of a stall")
	assert.Equal(t, []string{"voltage"}, d.Perhaps[0].Keys)
	assert.Equal(t, []string{"stall.speed"}, d.Perhaps[1].Keys)
}

// The throttle that a draft proposes as comments is one that loads, once they are taken away.
func TestTheProposedThrottleLoads(t *testing.T) {
	uncomment := func(text string, tables ...string) string {
		for _, table := range tables {
			before, block, ok := strings.Cut(text, "#["+table+"]")
			require.True(t, ok, table)
			block, after, _ := strings.Cut(block, "\n\n")
			text = before + "[" + table + "]" + strings.ReplaceAll(block, "\n#", "\n") + "\n\n" + after
		}
		return text
	}
	d := draft(t, registers)
	r, err := regmap.Load("registers.toml", []byte(uncomment(d.Text, "running", "throttle")), settings.Fields())
	require.NoError(t, err)
	assert.Equal(t, 300*time.Millisecond, r.Describe().Throttle.CommandTimeout)
	d = draft(t, "name,index,sub,type,unit,access,key\nVoltage,2100,1,u16,V,ro,\n")
	text := strings.Replace(uncomment(d.Text, "identity", "throttle"), "#heartbeat", "heartbeat", 1)
	o, err := objmap.Load("objects.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	assert.True(t, o.Describe().Throttle.Astern)
}

// TestTwoColumnsOfOneMeaning: what is asked for by name comes once, whichever it is; of words and remarks a manual may have several.
func TestTwoColumnsOfOneMeaning(t *testing.T) {
	for _, c := range []struct {
		first, second string
		error         bool
	}{
		{"table", "fc", true}, {"address", "addr", true}, {"index", "objekt", true}, {"sub", "subindex", true}, {"type", "typ", true}, {"unit", "einheit", true},
		{"scale", "factor", true}, {"min", "low", true}, {"max", "high", true}, {"access", "r/w", true}, {"words", "choices", true}, {"name", "description", false}, {"remark", "notes", false},
	} {
		_, err := maptable.Make("manual.csv", []byte(c.first+";"+c.second+";x\n1;2;3\n"), maptable.Options{})
		twice := "are both the column " + c.first
		if c.error {
			assert.ErrorContains(t, err, twice)
		} else if err != nil {
			assert.NotContains(t, err.Error(), twice)
		}
	}
}
