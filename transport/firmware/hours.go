package firmware

import "errors"

// Places of the running hours in EEPROM: LJ_HOURS_AT and LJ_HOURS_SLOTS in lj_hours.c.
const (
	hoursSlots  = 16
	hoursRecord = 4
)

// Hours gives the running hours that stand in a board's EEPROM, as avrdude reads it: records
// of the hours in three bytes and their CRC-8, that of h hours at place h modulo 16. What it
// takes is what the board takes at its start.
func Hours(eeprom []byte) (uint32, error) {
	if len(eeprom) < hoursSlots*hoursRecord {
		return 0, errors.New("the running hours take 64 bytes of EEPROM, and there are fewer: read all of it")
	}
	at := map[uint32]bool{}
	for i := range uint32(hoursSlots) {
		r := eeprom[i*hoursRecord : (i+1)*hoursRecord]
		if h := uint32(r[0]) | uint32(r[1])<<8 | uint32(r[2])<<16; crc8(r[:3]) == r[3] && h%hoursSlots == i {
			at[h] = true
		}
	}
	best := uint32(0)
	for h := range at {
		if h > best && (at[h-1] || h == 1) {
			best = h
		}
	}
	top := best
	for h := range at {
		if h > top && h <= best+hoursSlots {
			top = h
		}
	}
	return top, nil
}

// crc8 is the check of a record: polynomial 0x07, from 0.
func crc8(b []byte) byte {
	crc := byte(0)
	for _, x := range b {
		crc ^= x
		for range 8 {
			top := crc&0x80 != 0
			if crc <<= 1; top {
				crc ^= 0x07
			}
		}
	}
	return crc
}
