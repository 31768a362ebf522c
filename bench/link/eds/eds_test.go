package eds

import (
	"bytes"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
)

// sheet is invented; each odd form in it was seen in data sheets and in the tests of public readers (notes in
// testdata/can/SOURCES.md).
const sheet = `[FileInfo]
FileName=
[DeviceInfo]
VendorName=Invented Drives
VendorNumber=0xABC
ProductNumber=7
[DeviceComissioning]
NodeID=0x05
Baudrate=250
[MandatoryObjects]
SupportedObjects=2
1=0x1000
2=0x1018
[1000]
ParameterName=Device type
ObjectType=0x7
DataType=0x0007
AccessType=RO
DefaultValue=0x00020192
[1018]
ParameterName=Identity
ObjectType=0x9
SubNumber=2
[1018sub0]
ParameterName=Highest sub-index
DataType=0x5
AccessType=const
DefaultValue=1
[1018Sub1]
ParameterName=Vendor
DataType=0x0007
AccessType=ro
[1400sub1]
ParameterName=COB-ID
DataType=7
AccessType=rw
DefaultValue=$NODEID+0x200
[1400sub5]
ParameterName=Event timer
DataType=6
AccessType=rw
DefaultValue=0xFA ; 250 ms
[1800sub1]
ParameterName=COB-ID
DataType=7
AccessType=rw
DefaultValue=0x180 + $NODEID
[1a00sub1]
ParameterName=Mapping
DataType=7
AccessType=rw
DefaultValue=536936464
[1028]
ParameterName=Consumers
ObjectType=8
DataType=0x0007
AccessType=rw
CompactSubObj=3
[1028Name]
NrOfEntries=1
2=second
[1028Value]
NrOfEntries=1
3=0x10
[2001]
ParameterName=Torque limit
DataType=0x0003
AccessType=rww
LowLimit=0xFFFF
HighLimit=0x7FFF
PDOMapping=1
[2002]
ParameterName=Octal
DataType=6
DefaultValue=010
[2003]
ParameterName=Own type
DataType=0xA0
AccessType=rw
[A0]
ParameterName=OWN
ObjectType=5
DataType=0x10
`

func read(t *testing.T, text string) *File {
	t.Helper()
	f, err := Read("x.eds", []byte(text))
	require.NoError(t, err)
	return f
}

func TestForms(t *testing.T) {
	f := read(t, sheet)
	assert.Equal(t, "Invented Drives", f.Vendor)
	assert.EqualValues(t, 0xABC, f.VendorNumber)
	assert.EqualValues(t, 5, f.NodeID)
	assert.Equal(t, 250, f.Rate)
	number := func(v *Value) int64 {
		n, ok := v.Of(5)
		require.True(t, ok)
		return n
	}
	get := func(index uint16, sub byte) Object {
		o, ok := f.Find(canopen.Object{Index: index, Sub: sub})
		require.True(t, ok, "%04X:%02X", index, sub)
		return o
	}
	assert.Equal(t, guard.U8, get(0x1018, 0).Kind, "0x5")
	assert.Equal(t, "ro", get(0x1000, 0).Access)
	assert.EqualValues(t, 0x205, number(get(0x1400, 1).Default))
	assert.EqualValues(t, 0x185, number(get(0x1800, 1).Default))
	assert.EqualValues(t, 250, number(get(0x1400, 5).Default), "a comment behind")
	assert.EqualValues(t, 0x20010010, number(get(0x1A00, 1).Default), "V-50: decimal")
	assert.EqualValues(t, -1, number(get(0x2001, 0).Low), "two's complement")
	assert.EqualValues(t, 0x7FFF, number(get(0x2001, 0).High))
	assert.True(t, get(0x2001, 0).Mappable)
	assert.True(t, get(0x2001, 0).Writable())
	assert.EqualValues(t, 8, number(get(0x2002, 0).Default))
	assert.Len(t, f.Octal, 1, "and it is told")
	assert.Equal(t, guard.S24, get(0x2003, 0).Kind)
	assert.Equal(t, "second", get(0x1028, 2).Name)
	assert.Equal(t, "Consumers 1", get(0x1028, 1).Name)
	assert.EqualValues(t, 16, number(get(0x1028, 3).Value))
	assert.EqualValues(t, 3, number(get(0x1028, 0).Default))
}

// The same sheet with other line ends, a byte order mark, Latin-1.
func TestEncodings(t *testing.T) {
	want := len(read(t, sheet).Objects)
	for name, text := range map[string]string{
		"CR LF": strings.ReplaceAll(sheet, "\n", "\r\n"), "CR": strings.ReplaceAll(sheet, "\n", "\r"), "BOM": "\uFEFF" + sheet,
		"Latin-1": strings.Replace(sheet, "Torque limit", "Drehmoment \xfc", 1), "section names in either case": strings.Replace(sheet, "[1a00sub1]", "[1A00SUB1]", 1),
	} {
		assert.Len(t, read(t, text).Objects, want, name)
	}
	f := read(t, strings.Replace(sheet, "Torque limit", "Drehmoment \xfc", 1))
	o, _ := f.Find(canopen.Object{Index: 0x2001})
	assert.Equal(t, "Drehmoment ü", o.Name)
}

func TestMistakes(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"[2002]", "[2001]", "x.eds:72:1: section [2001] is in line 65 already"},
		{"LowLimit=0xFFFF", "LowLimit=0xFFFF\nLOWLIMIT=1", "x.eds:70:1: LOWLIMIT of [2001] is in line 69 already"},
		{"DefaultValue=010", "DefaultValue=ten", `x.eds:75:14: defaultvalue: "ten" is no number`},
		{"DefaultValue=010", "DefaultValue=08", "is no number"},
		{"2=0x1018", "2=0x1019", "object 1019 is listed, and there is no section [1019]"},
		{"SupportedObjects=2", "SupportedObjects=3", "does not list number 3"},
		{"AccessType=rww", "AccessType=sometimes", "is none of ro, wo"},
		{"DataType=0x0003", "DataType=0x10003", "is not from 1 to 65535"},
		{"DataType=0x0003\n", "", "[2001] has no DataType"},
		{"[2002]", "[2002", "this is no [section]"},
		{"ParameterName=Octal", "Octal", "neither a [section] nor key = value"},
		{"[FileInfo]\n", "", "FileName stands before any [section]"},
		{"Octal", "Oc\x00tal", "this is not text"},
	} {
		_, err := Read("x.eds", []byte(strings.Replace(sheet, c.old, c.new, 1)))
		if assert.Error(t, err, c.new) {
			assert.Contains(t, err.Error(), c.want)
			assert.Regexp(t, `x\.eds:\d+:\d+: `, err.Error())
		}
	}
	for name, data := range map[string][]byte{"nothing": nil, "a letter": []byte("Dear yard,\n"), "10 MB of rubbish": rubbish(10 << 20), "3 MB of rubbish": rubbish(3 << 20), "no objects": []byte("[FileInfo]\n")} {
		_, err := Read("x.eds", data)
		if assert.Error(t, err, name) {
			assert.Regexp(t, `^x\.eds:\d+:\d+: `, err.Error())
		}
	}
}

func rubbish(n int) []byte {
	r := rand.New(rand.NewPCG(1, 2))
	data := make([]byte, n)
	for i := range data {
		data[i] = byte(r.Uint32())
	}
	return data
}

func FuzzRead(f *testing.F) {
	f.Add([]byte(sheet))
	f.Add(bytes.ReplaceAll([]byte(sheet), []byte("\n"), []byte("\r")))
	f.Add([]byte("[1028]\nObjectType=8\nDataType=7\nCompactSubObj=254\n[1028Value]\n254=-0x8\n"))
	f.Add([]byte("[2000]\nDataType=0x40\n[40]\nDataType=0x40\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		sheet, err := Read("x.eds", data)
		if err == nil {
			require.NotEmpty(t, sheet.Objects)
		} else {
			require.Regexp(t, `x\.eds:\d+:\d+: `, err.Error())
		}
	})
}
