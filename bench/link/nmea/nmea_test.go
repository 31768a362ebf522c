package nmea_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/nmea"
)

// sealed puts $ and check sum around a sentence.
func sealed(body string) string { return fmt.Sprintf("$%s*%02X", body, nmea.CheckSum([]byte(body))) }

// read reads one line as the first of a stream.
func read(line string) (nmea.Speed, bool, error) {
	s, ok, err := nmea.Split([]byte(line))
	if err != nil || !ok {
		return nmea.Speed{}, false, err
	}
	return new(nmea.Reader).Read(s)
}

// published returns the sentences of testdata/can/vectors.csv, each with its source.
func published(t testing.TB) (rows [][]string) {
	f, err := os.Open("../../../testdata/can/vectors.csv")
	require.NoError(t, err)
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	for _, r := range all {
		if r[1] == "nmea" {
			rows = append(rows, r)
		}
	}
	require.Len(t, rows, 17)
	return rows
}

var speedIn = regexp.MustCompile(`([\d.]+) m/s`)

// TestPublishedSentences: see SOURCES.md beside the vectors.
func TestPublishedSentences(t *testing.T) {
	for _, r := range published(t) {
		t.Run(r[0], func(t *testing.T) {
			got, ok, err := read(r[3])
			meaning := r[4]
			want := speedIn.FindStringSubmatch(meaning)
			switch {
			case strings.Contains(meaning, "swapped"):
				var form *nmea.FormError
				assert.ErrorAs(t, err, &form)
			case strings.Contains(meaning, "wrong checksum"):
				assert.ErrorIs(t, err, nmea.ErrSum)
			case strings.Contains(meaning, "no speed in it"):
				assert.NoError(t, err)
				assert.False(t, ok)
			case strings.Contains(meaning, "no reading"), strings.Contains(meaning, "no fix"), strings.Contains(meaning, "refused"):
				require.NoError(t, err)
				require.True(t, ok)
				assert.True(t, math.IsNaN(got.Value), "%+v", got)
				assert.NotEmpty(t, got.Why)
			default:
				require.NoError(t, err)
				require.True(t, ok)
				if want != nil {
					v, err := strconv.ParseFloat(want[1], 64)
					require.NoError(t, err)
					assert.InDelta(t, v, got.Value, 0.0006)
				} else {
					assert.False(t, math.IsNaN(got.Value))
				}
				channel := link.SpeedOverGround
				if strings.Contains(r[3], "VHW") {
					channel = link.BoatSpeed
				}
				assert.Equal(t, channel, got.Channel)
			}
		})
	}
}

// TestForms: what may stand in a sentence and what may not, the check sum right each time.
func TestForms(t *testing.T) {
	const ok, none, wrong, other = "a speed", "no reading", "refused", "passed over"
	for body, want := range map[string]string{
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,":       ok, // before edition 2.3
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,A":     ok,
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,F":     ok,
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,":      none, // the mode is there, and empty
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,S":     none, // simulator
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,M":     none, // typed
		"GPRMC,102030,V,5230.0,N,01320.0,E,5.4,123.4,050624,,,A":     none,
		"GPRMC,102030,A,5230.0,N,01320.0,E,,123.4,050624,,,A":        none,
		"GPRMC,102030,X,5230.0,N,01320.0,E,5.4,123.4,050624,,,A":     wrong,
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4.,123.4,050624,,,A":    wrong,
		"GPRMC,102030,A,5230.0,N,01320.0,E,-5.4,123.4,050624,,,A":    wrong,
		"GPRMC,102030,A,5230.0,N,01320.0,E,5e1,123.4,050624,,,A":     wrong,
		"GPRMC,102030,A,5230.0,N,01320.0,E,inf,123.4,050624,,,A":     wrong,
		"GPRMC,102030,A,N,5230.0,01320.0,E,5.4,123.4,050624,,,A":     wrong,
		"GPRMC,102030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,A,V,X": wrong,
		"GPRMC,102030,A,5230.0,N,01320.0,E,123.4":                    wrong,
		"GPVTG,123.4,T,,M,5.40,N,10.00,K":                            ok, // before edition 2.3
		"GPVTG,123.4,T,,M,5.40,N,10.00,K,A":                          ok,
		"GPVTG,123.4,T,,M,5.40,N,,K,A":                               ok,
		"GPVTG,123.4,T,,M,,N,10.00,K,A":                              ok,
		"GPVTG,123.4,T,,M,,N,,K,A":                                   none,
		"GPVTG,123.4,T,,M,5.40,N,10.00,K,N":                          none,
		"GPVTG,123.4,T,,M,5.40,N,11.00,K,A":                          wrong, // 5.4 kn are 10.0 km/h
		"GPVTG,123.4,T,,M,5.40,K,10.00,N,A":                          wrong,
		"GPVTG,123.4,,,M,5.40,N,10.00,K,A":                           wrong,
		"GPVTG,123.4,123.4,5.40,10.00":                               wrong, // edition 1.5 had no letters
		"IIVHW,,,,,5.40,N,10.00,K":                                   ok,
		"IIVHW,,,,,,,,":                                              none,
		"IIVHW,,,,,5.40,N,10.00,K,A":                                 wrong,
		"PGRME,15.0,M,45.0,M,25.0,M":                                 other, // a maker's own
		"GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1":                other,
	} {
		got, is, err := read(sealed(body))
		kind := ok
		switch {
		case err != nil:
			kind = wrong
			assert.Greater(t, len(err.Error()), 20)
		case !is:
			kind = other
		case math.IsNaN(got.Value):
			kind = none
		default:
			assert.InDelta(t, 2.778, got.Value, 0.001, body)
		}
		assert.Equal(t, want, kind, "%s: %+v %v", body, got, err)
	}
	_, _, err := read("$GPVTG,123.4,T,,M,5.40,N,10.00,K,A")
	assert.ErrorIs(t, err, nmea.ErrNoSum)
	_, is, err := read("!AIVDM,1,1,,A,14eG;o@034o8sd<L9i:a;WF>062D,0*7D")
	assert.NoError(t, err)
	assert.False(t, is)
	s, is, err := nmea.Split([]byte("2026-05-01T10:00:00.123 " + sealed("IIVHW,,,,,5.40,N,10.00,K") + "\r"))
	assert.NoError(t, err)
	assert.True(t, is, "what a logger writes before it is passed over")
	assert.Equal(t, "II", s.Talker)
}

// TestVTGBesideRMC: a receiver tells one fix twice; it counts once. Where RMC goes silent VTG counts again.
func TestVTGBesideRMC(t *testing.T) {
	var r nmea.Reader
	next := func(body string) bool {
		s, ok, err := nmea.Split([]byte(sealed(body)))
		require.NoError(t, err)
		require.True(t, ok)
		_, ok, err = r.Read(s)
		require.NoError(t, err)
		return ok
	}
	const vtg = "GPVTG,123.4,T,,M,5.40,N,10.00,K,A"
	assert.True(t, next(vtg))
	assert.True(t, next("GPRMC,102030,V,,,,,,,050624,,,N"))
	n := 0
	for !next(vtg) {
		n++
		require.Less(t, n, 1000)
	}
	assert.Greater(t, n, 5)
}

func TestClock(t *testing.T) {
	day := time.Date(2024, 6, 5, 0, 0, 0, 0, time.UTC)
	for body, want := range map[string]struct {
		of   time.Duration
		date time.Time
		ok   bool
	}{
		"GPRMC,102030.25,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,A": {10*time.Hour + 20*time.Minute + 30*time.Second + 250*time.Millisecond, day, true},
		"GPZDA,235959,05,06,2024,00,00":                             {24*time.Hour - time.Second, day, true},
		"GPGGA,000000,5230.0,N,01320.0,E,1,08,0.9,545.4,M,46.9,M,,": {0, time.Time{}, true},
		"GPGLL,5230.0,N,01320.0,E,102030,A":                         {10*time.Hour + 20*time.Minute + 30*time.Second, time.Time{}, true},
		"GPRMC,,V,,,,,,,,,,N":                                       {},
		"GPRMC,252030,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,A":    {},
		"GPRMC,102030.2x,A,5230.0,N,01320.0,E,5.4,123.4,050624,,,A": {},
		"GPVTG,123.4,T,,M,5.40,N,10.00,K,A":                         {},
		"GPGLL,5230.0,N":                                            {},
	} {
		s, _, err := nmea.Split([]byte(sealed(body)))
		require.NoError(t, err)
		of, date, ok := nmea.Clock(s)
		assert.Equal(t, want.ok, ok, body)
		assert.Equal(t, want.of, of, body)
		assert.True(t, want.date.Equal(date), body)
	}
}

func FuzzSentence(f *testing.F) {
	for _, r := range published(f) {
		f.Add([]byte(r[3]))
	}
	f.Add([]byte("$GPVTG,,,,,,,,*00"))
	f.Add([]byte("$*"))
	f.Fuzz(func(t *testing.T, line []byte) {
		s, ok, err := nmea.Split(line)
		if err != nil || !ok {
			return
		}
		// Sealed again it is the same, whatever stood before it.
		again, ok, err := nmea.Split([]byte(sealed(s.Talker + s.Kind + "," + strings.Join(s.Fields, ","))))
		if err != nil || !ok || again.Kind != s.Kind || len(again.Fields) != len(s.Fields) {
			t.Fatalf("%q: %v", line, err)
		}
		nmea.Clock(s)
		v, ok, err := new(nmea.Reader).Read(s)
		if err == nil && ok && !math.IsNaN(v.Value) && (v.Value < 0 || v.Value > 600 || v.Why != "") {
			t.Fatalf("%q: %+v", line, v)
		}
	})
}

// TestAReceiverThatHangsTellsNothingNew: the same fix of the same time again and again is one reading; one without a clock, and one without
// a fix, are taken as they come.
func TestAReceiverThatHangsTellsNothingNew(t *testing.T) {
	told := func(bodies ...string) (n int) {
		var r nmea.Reader
		for _, body := range bodies {
			s, ok, err := nmea.Split(fmt.Appendf(nil, "$%s*%02X\r\n", body, nmea.CheckSum([]byte(body))))
			require.True(t, ok)
			require.NoError(t, err)
			_, ok, err = r.Read(s)
			require.NoError(t, err)
			if ok {
				n++
			}
		}
		return n
	}
	at := func(clock, status string) string {
		return "GPRMC," + clock + "," + status + ",5230.0,N,01320.0,E,5.00,123.4,050624,,,A"
	}
	assert.Equal(t, 1, told(at("102030.00", "A"), at("102030.00", "A"), at("102030.00", "A")))
	assert.Equal(t, 3, told(at("102030.00", "A"), at("102030.20", "A"), at("102030.00", "A")))
	assert.Equal(t, 2, told(at("", "A"), at("", "A")))
	assert.Equal(t, 2, told(at("102030.00", "V"), at("102030.00", "V")))
}
