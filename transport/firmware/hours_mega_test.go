package firmware_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// crc8 is CRC-8/SMBUS of the RevEng catalogue (polynomial 0x07): "123456789" gives 0xf4.
func crc8(b []byte) byte {
	crc := byte(0)
	for _, x := range b {
		crc ^= x
		for range 8 {
			carry := crc&0x80 != 0
			if crc <<= 1; carry {
				crc ^= 0x07
			}
		}
	}
	return crc
}

// meter is a board on the chip whose hours pass quickly.
type meter struct {
	*simHost
	config *firmware.Config
}

func (m *meter) arm() { m.simHost.arm(m.config, 20_000_000) }

// near sets the part of an hour that has passed to so many ms before its end.
func (m *meter) near(ms uint32) {
	us := uint32(3_600_000_000) - ms*1000
	m.chip.do("poke part %x", binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, us), ^us))
}

func (m *meter) hours() int { return int(binary.LittleEndian.Uint32(m.chip.peek("tally", 4))) }

// written gives the writes to EEPROM so far: address and byte.
func (m *meter) written() (all [][2]int) {
	for _, n := range m.chip.notes {
		var at uint64
		var w [2]int
		if k, _ := fmt.Sscanf(n, "w %d %d %x", &at, &w[0], &w[1]); k == 3 {
			all = append(all, w)
		}
	}
	return all
}

// eeprom gives the chip's EEPROM, and puts another in its place.
func (m *meter) eeprom(t *testing.T) []byte {
	name := filepath.Join(t.TempDir(), "eeprom")
	m.chip.do("eeprom store %s", name)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func (m *meter) setEEPROM(t *testing.T, b []byte) {
	name := filepath.Join(t.TempDir(), "eeprom")
	if err := os.WriteFile(name, b, 0o644); err != nil {
		t.Fatal(err)
	}
	m.chip.do("eeprom load %s", name)
}

// TestMegaRunningHours: hours that pass while pulses leave are written to the chip's EEPROM,
// a record of four bytes each, in a ring of 16, and no pulse minds. Power is lost at each of the
// bytes, and whatever that leaves in a cell, the hours are those before or those after; and
// they are counted on from there. (A write takes 3.4 ms: ATmega640/1280/1281/2560/2561 data
// sheet, table "EEPROM Programming Time", here of the harness.)
func TestMegaRunningHours(t *testing.T) {
	t.Parallel()
	if crc8([]byte("123456789")) != 0xf4 {
		t.Fatal("this is no CRC-8/SMBUS")
	}
	d := documents{"rig.yaml": megaGallery(250000), "motion.yaml": galleryMotion(20)}
	e, program := megaProgram(t, "both", d, "motion.yaml")
	p, err := firmware.ConfigOf(e.show.Rig, e.show.Rig.Boards[0], portOf(t, large.port))
	if err != nil {
		t.Fatal(err)
	}
	c := large.chip(t, program, 250000)
	m := &meter{&simHost{t: t, chip: c, dec: wire.Decoder{From: wire.FromBoard}}, p.Config}
	m.setEEPROM(t, []byte(strings.Repeat("\xff", 4096))) // as it comes from the factory
	c.do("reset power")
	m.run(5)
	m.near(20)
	if m.run(100); m.hours() != 0 || len(m.written()) > 0 {
		t.Errorf("%d hours of a board that was never armed", m.hours())
	}

	m.arm()
	const laps = 18 // a little more than once round
	for h := 1; h <= laps; h++ {
		m.near(15)
		m.run(60)
		want := []byte{byte(h), 0, 0}
		want = append(want, crc8(want))
		at := h % 16 * 4
		if got := m.eeprom(t)[at : at+4]; m.hours() != h || string(got) != string(want) {
			t.Fatalf("after %d hours it has %d, and wrote %x, not %x", h, m.hours(), got, want)
		}
	}
	if n := len(m.written()); n > 4*laps {
		t.Errorf("%d bytes were written in %d hours", n, laps)
	}
	var width spread
	for i, pin := range c.pins[:12] {
		list := pulsesOfStill(c)[pin]
		for k, x := range list {
			width.add(tickError(x, uint16(m.config.Outputs[i].Rest)))
			// The slot that follows an arm may begin late by what planning it takes.
			if k > 1 && math.Abs(float64(x.rise-list[k-1].rise)/(20000*cyclesPerUS)-1) > 0.001 {
				t.Errorf("%s: pulse %d comes %d cycles after the one before, at cycle %d", pin, k, x.rise-list[k-1].rise, x.rise)
			}
		}
	}
	t.Logf("%d writes, meanwhile widths %s ticks", len(m.written()), width)
	if width.least < -0.5 || width.most > 0.5 {
		t.Errorf("widths %s ticks", width)
	}

	// A reset costs nothing.
	m.near(1_000_000)
	c.do("reset pin")
	m.run(5)
	if us := binary.LittleEndian.Uint32(c.peek("part", 4)); m.hours() != laps || us < 2_600_000_000 {
		t.Errorf("after a reset it has %d hours, and %d us", m.hours(), us)
	}

	cuts := 0
	for cut := range 4 {
		for _, left := range []int{-1, -2, 0x00, 0xff, 0x5a, 0xa5} {
			m.arm()
			h, before := m.hours(), m.eeprom(t)
			m.near(10)
			at := (h + 1) % 16 * 4
			for n := len(m.written()); ; m.run(0.5) {
				w := m.written()
				if len(w) > n && w[len(w)-1][0] >= at+cut {
					break
				}
				if m.hours() > h && len(w) == n+4 || c.peek("tally", 9)[8] == 0 && m.hours() > h {
					break // that byte stood there already
				}
			}
			half := m.eeprom(t)
			switch left {
			case -1: // it was not begun
				half[at+cut] = before[at+cut]
			case -2: // it is whole
			default:
				half[at+cut] = byte(left)
			}
			copy(half[at+cut+1:at+4], before[at+cut+1:at+4])
			m.setEEPROM(t, half)
			c.do("reset power")
			m.run(5)
			cuts++
			now := m.hours()
			if now != h && now != h+1 {
				t.Fatalf("power is lost at byte %d with %d there: %d hours become %d", cut, left, h, now)
			}
			m.arm()
			m.near(10)
			m.run(50)
			if m.hours() != now+1 {
				t.Fatalf("an hour after %d it has %d", now, m.hours())
			}
			c.do("reset power")
			if m.run(5); m.hours() != now+1 {
				t.Fatalf("%d hours become %d", now+1, m.hours())
			}
		}
	}
	t.Logf("power was lost %d times; %d hours at the end", cuts, m.hours())
}

// pulsesOfStill gives the pulses that have ended.
func pulsesOfStill(c *chip) map[string][]pulse {
	all, up := map[string][]pulse{}, map[string]uint64{}
	for _, e := range c.edges {
		if e.up {
			up[e.pin] = e.at
		} else if from, ok := up[e.pin]; ok {
			all[e.pin] = append(all[e.pin], pulse{from, e.at - from})
		}
	}
	return all
}
