package firmware_test

import (
	"strings"
	"testing"

	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// TestHoursAreRead: the EEPROM that the chip wrote, as avrdude would read it, is read by Go as
// the chip counts it, and each of its bytes that is damaged costs an hour at most.
func TestHoursAreRead(t *testing.T) {
	t.Parallel()
	c := bareServos()
	h := newSimHost(t, "servos", c)
	m := &meter{h, c}
	m.setEEPROM(t, []byte(strings.Repeat("\xff", 1024))) // as it comes from the factory
	h.chip.do("reset power")
	h.run(5)
	if n, err := firmware.Hours(m.eeprom(t)); n != 0 || err != nil {
		t.Errorf("a new chip has %d hours (%v)", n, err)
	}
	h.say(&wire.Identify{Version: 1})
	m.arm()
	for want := 1; want <= 20; want++ {
		m.near(15)
		m.run(60)
		b := m.eeprom(t)
		if n, err := firmware.Hours(b); int(n) != want || m.hours() != want || err != nil {
			t.Fatalf("after %d hours Go reads %d (%v), and the chip has %d", want, n, err, m.hours())
		}
		for i := range 64 {
			b[i] ^= 0x10
			if n, _ := firmware.Hours(b); int(n) > want || int(n) < want-1 {
				t.Errorf("byte %d of %d hours is damaged, and %d are read", i, want, n)
			}
			b[i] ^= 0x10
		}
	}
	if _, err := firmware.Hours(make([]byte, 63)); err == nil {
		t.Error("63 bytes are taken for an EEPROM")
	}
}
