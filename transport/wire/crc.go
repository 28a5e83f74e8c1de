package wire

// polynomial is x^16 + x^12 + x^5 + 1 without its first term, most significant bit first.
const polynomial = 0x1021

var crcTable = makeCRCTable()

func makeCRCTable() (table [256]uint16) {
	for i := range table {
		crc := uint16(i) << 8
		for range 8 {
			carry := crc&0x8000 != 0
			crc <<= 1
			if carry {
				crc ^= polynomial
			}
		}
		table[i] = crc
	}
	return table
}

// Checksum gives CRC-16/IBM-3740 of the RevEng catalogue of CRC algorithms: width
// 16, polynomial 0x1021, initial value 0xffff, nothing reflected, nothing xored at
// the end; 0x29b1 for the text 123456789. It finds every burst of up to 16 bits and
// up to three wrong bits anywhere in a packet.
func Checksum(b []byte) uint16 {
	crc := uint16(0xffff)
	for _, c := range b {
		crc = crc<<8 ^ crcTable[byte(crc>>8)^c]
	}
	return crc
}
