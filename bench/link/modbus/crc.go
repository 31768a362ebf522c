package modbus

// CRC returns the check sum of a frame: CRC-16 with the polynomial 0x8005 reflected
// (0xA001), starting at 0xFFFF. It goes over the line low byte first.
func CRC(p []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, b := range p {
		crc = crc>>8 ^ crcTable[byte(crc)^b]
	}
	return crc
}

var crcTable = func() (table [256]uint16) {
	for i := range table {
		crc := uint16(i)
		for range 8 {
			carry := crc & 1
			crc = crc>>1 ^ carry*0xA001
		}
		table[i] = crc
	}
	return table
}()
