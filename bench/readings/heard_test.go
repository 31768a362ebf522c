package readings

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/lines"
)

// TestHear: what lines say of themselves, and what is left to be asked.
func TestHear(t *testing.T) {
	for _, c := range []struct {
		name, text string
		delimiter  string
		comma, xor bool
		is, ask    string // by column, parted by bars
	}{
		{"header with units", "8;51.9\ntime [s];Voltage [V];Battery current [A];Lug [°C]\n0.1;51.90;12.5;25.1\n0.2;51.91;12.6;25.2\n0.3;51.92;12.7;25.2\n", ";", false, false, "time s|voltage V|battery_current A|", "|||or another thing, for example: lug °C?"},
		{"words that German writes as one", "Zeit [s];Hebel [%];Batteriestrom [A];Motorstrom [A];Motordrehzahl [1/min]\n0,1;50,0;12,5;30,1;900,0\n0,2;50,0;12,6;30,2;900,1\n0,3;50,0;12,7;30,3;900,2\n", ";", true, false, "time s|ignore|battery_current A|motor_current A|motor_speed 1/min", "||||"},
		{"header first, decimal commas", "Zeit [s];Spannung [V];Strom Batterie [A]\n0,1;51,90;12,5\n0,2;51,91;12,6\n0,3;51,92;12,7\n", ";", true, false, "time s|voltage V|battery_current A", "||"},
		{"two current words", "t [s],Current [A]\n1,12.5\n2,12.6\n3,12.6\n", ",", false, false, "time s|", "|is it battery_current or motor_current?"},
		{"no units", "volts\tbattery amps\n51.9\t12.5\n51.9\t12.6\n51.9\t12.6\n", "tab", false, false, "|battery_current A", "in which unit is voltage?|"},
		{"milliampere", "Battery current [mA]\n1250\n1260\n1270\n", ";", false, false, "battery_current mA", ""},
		{"a unit of another kind", "Battery current [V]\n1250\n1260\n1270\n", ";", false, false, "", "V is a unit of"},
		{"no header", "1 51.9 12.5\n2 51.9 12.6\n3 51.9 12.7\n", "space", false, false, "||", "what is it?|what is it?|what is it?"},
		{"a clock and a word", "10:00:01;ok;12.5\n10:00:02;ok;12.6\n10:00:03;ok;12.7\n", ";", false, false, "time|ignore|", "||what is it?"},
		{"header as a remark", "# rpm;I motor (A)\n100;12\n101;13\n102;13\n", ";", false, false, "|motor_current A", "in which unit is motor_speed?|"},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, err := Hear(strings.Split(strings.TrimSuffix(c.text, "\n"), "\n"))
			require.NoError(t, err)
			assert.Equal(t, c.delimiter, h.Delimiter)
			assert.Equal(t, c.comma, h.Comma)
			assert.Equal(t, c.xor, h.XOR)
			var is []string
			asks := strings.Split(c.ask, "|")
			require.Len(t, h.Columns, len(asks))
			for i, column := range h.Columns {
				is = append(is, strings.TrimSpace(column.Is+" "+column.Unit))
				assert.Contains(t, column.Ask, asks[i], column.Header)
				assert.Equal(t, asks[i] == "", column.Ask == "", "%q", column.Ask)
			}
			assert.Equal(t, c.is, strings.Join(is, "|"))
		})
	}
}

// TestAnswersMakeAList: what a person says of the columns makes a list that reads the lines.
func TestAnswersMakeAList(t *testing.T) {
	h, err := Hear([]string{"0;51.9;1240", "1;51.9;1250", "2;51.8;1260"})
	require.NoError(t, err)
	_, err = h.List("logger", "by a test")
	assert.Error(t, err, "nobody has said what the columns are")
	for _, wrong := range []string{"", "voltage", "voltage A", "volts V", "Voltage V", "x y z"} {
		assert.Error(t, h.Answer(1, wrong), "%q", wrong)
	}
	require.NoError(t, h.Answer(0, "ignore"))
	require.NoError(t, h.Answer(1, "voltage V"))
	assert.Error(t, h.Answer(2, "voltage V"), "there is one already")
	require.NoError(t, h.Answer(2, "battery_current mA"))
	h.Every = time.Second
	text, err := h.List(`logger "north"`, "by a test")
	require.NoError(t, err)
	f, err := lines.Load("kept.toml", []byte(text))
	require.NoError(t, err, text)
	assert.Equal(t, `logger "north"`, f.Title())
	assert.Equal(t, 3*time.Second, f.StaleAfter(), "three lines may be missing")
	p := lines.NewParser(f)
	p.Feed([]byte("\n3;51.7;1270\n"), time.Time{}, func(s link.Sample, err error) {
		if err == nil {
			assert.InDeltaSlice(t, []float64{51.7, 1.27}, s.Values, 1e-12)
		}
	})
	assert.EqualValues(t, 1, p.Stats().Samples)
}

// TestTheLoggersClockIsKept: a column of time is what tells a logger that hangs, whether its header, its form or a person says so.
func TestTheLoggersClockIsKept(t *testing.T) {
	for _, c := range []struct{ text, answer, want string }{
		{"date;time;volts [V]\n30.11.2026;10:00:01;51.9\n30.11.2026;10:00:02;51.9\n30.11.2026;10:00:03;51.9", "", "ignore = true   # date 30.11.2026\n\n[[column]]\nclock = true    # time 10:00:03"},
		{"run [ms];time [s];volts [V]\n1;1;51.9\n2;2;51.9\n3;3;51.9", "", "clock = true    # time [s] 3; where it stands still the logger hangs\nunit = \"s\""},
		{"1000;51.9\n2000;51.9\n3000;51.9", "clock ms", "clock = true    # 3000; where it stands still the logger hangs\nunit = \"ms\""},
		{"1;51.9\n2;51.9\n3;51.9", "clock", "clock = true    # 3;"},
	} {
		h, err := Hear(strings.Split(c.text, "\n"))
		require.NoError(t, err)
		if c.answer != "" {
			assert.ErrorContains(t, h.Answer(0, "clock V"), "no time")
			require.NoError(t, h.Answer(0, c.answer))
			require.NoError(t, h.Answer(1, "voltage V"))
			assert.ErrorContains(t, h.Answer(1, "clock"), "is the clock already")
		} else if h.Columns[0].Ask != "" {
			require.NoError(t, h.Answer(0, "ignore"))
		}
		text, err := h.List("logger", "by a test")
		require.NoError(t, err)
		assert.Contains(t, text, c.want)
		_, err = lines.Load("kept.toml", []byte(text))
		assert.NoError(t, err)
	}
}

func FuzzHear(f *testing.F) {
	f.Add("time [s];Voltage [V]\n0,1;51,90\n0,2;51,91\n0,3;51\n")
	f.Add("1 2 3\n4 5 6\n7 8 9\n")
	f.Add("$1;2*32\n$1;2*32\n$1;2*32\n")
	f.Fuzz(func(t *testing.T, text string) {
		h, err := Hear(strings.Split(text, "\n"))
		if err != nil {
			return
		}
		for i := range h.Columns {
			if h.Columns[i].Is == "" {
				_ = h.Answer(i, "ignore")
			}
		}
		list, err := h.List("fuzz", "by a test")
		if err != nil {
			return
		}
		if _, err := lines.Load("fuzz.toml", []byte(list)); err != nil {
			t.Fatalf("%q makes a list that cannot be read: %v\n%s", text, err, list)
		}
	})
}
