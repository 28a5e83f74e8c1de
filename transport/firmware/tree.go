package firmware

import (
	"bytes"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"

	"limberjack/transport/wire"
)

// Tree gives the files of the program by their paths: in the layout of a sketch of
// that name, of which the folder src is all that avr-gcc needs, and a text about how to
// build it, flash it and wire it.
func (p *Program) Tree(name string) (map[string][]byte, error) {
	var config bytes.Buffer
	if _, err := p.Config.WriteTo(&config); err != nil {
		return nil, err
	}
	files := map[string][]byte{"src/lj_config.h": config.Bytes(), "src/limberjack_wire.h": []byte(wire.Header)}
	sources := Sources()
	for i, folder := range append([]string{"core"}, p.Port.Folders...) {
		list, err := fs.ReadDir(sources, folder)
		if err != nil {
			return nil, err
		}
		for _, e := range list {
			file := e.Name()
			if ext := path.Ext(file); ext != ".c" && ext != ".h" || i == 1 && slices.Contains(p.Port.Instead, file) {
				continue
			}
			text, err := fs.ReadFile(sources, path.Join(folder, file))
			if err != nil {
				return nil, err
			}
			files["src/"+file] = text
		}
	}
	sketch, err := fs.ReadFile(sources, "sketch/limberjack.ino")
	if err != nil {
		return nil, err
	}
	files[name+".ino"] = sketch
	files["README.TXT"] = []byte(p.howTo(name))
	return files, nil
}

// howTo tells how to build, flash and wire.
func (p *Program) howTo(name string) string {
	c, chip := p.Config, p.Port.controller
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	say("Firmware of the board %s, for an %s at 16 MHz", c.Name, p.Port.Chip)
	say("")
	say("Written from its rig: change the rig and write it anew, not lj_config.h. Travel,")
	say("speed and rest are baked in, and hold whatever a host or a card says.")
	say("")
	say("BUILD AND FLASH")
	if p.tight() {
		say("Build it by hand: an IDE for sketches, with its own flags, makes more of it than the")
		say("chip holds.")
	} else {
		say("With an IDE for sketches: open %s.ino, choose the board %s, and upload.", name, chip.board)
	}
	say("By hand (Debian: gcc-avr, avr-libc, avrdude), for a board with the %s's bootloader:", chip.board)
	say("")
	say("  avr-gcc %s -o %s.elf src/*.c", p.Port.Flags(), name)
	say("  avr-objcopy -O ihex -R .eeprom %s.elf %s.hex", name, name)
	say("  avrdude %s -U flash:w:%s.hex", chip.flash, name)
	say("")
	say("Set the brown-out detector to 4.3 V (extended fuse 0xfc) where you have a programmer:")
	say("below %s a chip at 16 MHz may do anything.", chip.least)
	say("")
	say("WIRING")
	for _, w := range p.Wired {
		say("  %-10s %s", w.Pin, w.What)
	}
	if !c.Unwired {
		say("  D0, D1     the line to the host, by the board's USB")
	}
	if c.Card != 0 {
		say("  %s", chip.card)
		say("  %-10s a light: an LED with 1 kilohm to ground; its blinks are below", chip.light)
	}
	say("")
	for _, n := range p.Notes {
		say("Note: %s.", n)
	}
	say("")
	if c.Card != 0 {
		say("%s", lightText)
	}
	say("%s", fmt.Sprintf(resetText, p.Port.chipFlag(), name))
	say("CAUTION")
	say("Take the servos' supply off while you flash: pins may do anything meanwhile. Join all")
	say("grounds. Keep hands, hair and cables out of joints and linkages. A servo that is")
	say("stalled gets hot enough to burn. What carries weight falls when the board is reset or")
	say("loses power: give it a counterweight, a spring or a rest. A stop by software or by an")
	say("input of this board is no emergency stop: have a switch that takes the actuators' power")
	if c.Homing {
		say("off. A stepper that has a home looks for its home as soon as the board is armed, or plays")
		say("from its card: keep clear of its whole way, and wire and try its switch first: without")
		say("it the stepper goes a whole way and a tenth. Mains and large batteries are for")
		say("those who are licensed for them where you live.")
		return b.String()
	}
	say("off. Mains and large batteries are for those who are licensed for them where you live.")
	return b.String()
}

// tight says whether the program fits the chip with its own flags only.
func (p *Program) tight() bool { return p.Port.controller == atmega328p && p.Config.Unwired }

// Belongs says whether a file of that path may be one of a Tree, of whatever port.
func Belongs(name string) bool {
	if name == "README.TXT" || name == "src/lj_config.h" || name == "src/limberjack_wire.h" {
		return true
	}
	file, ok := strings.CutPrefix(name, "src/")
	if !ok {
		return false
	}
	for _, folder := range []string{"core", "avr", "avr-pwm"} {
		if _, err := fs.Stat(Sources(), path.Join(folder, file)); err == nil {
			return true
		}
	}
	return false
}
