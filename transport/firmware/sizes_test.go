package firmware_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The player fits into a small chip: of the 2048 bytes of memory of an ATmega328P (data
// sheet, "Features") it takes less than 1000 with 12 servos and 16 frames; the rest is for a
// card's sector, the line and the stack. avr-size leaves out the stack, which the compiler
// gives function by function.
func TestSizesOnAVR(t *testing.T) {
	tool(t, "avr-gcc")
	tool(t, "avr-size")
	dir := t.TempDir()
	// What a port to AVR defines.
	target := "#include <stddef.h>\n#include <string.h>\n#include <avr/pgmspace.h>\n#define LJ_FLASH PROGMEM\n" +
		"#define LJ_FLASH_READ(to, from, n) ((void)memcpy_P((to), (from), (n)))\n#define LJ_KEPT __attribute__((section(\".noinit\")))\n"
	if err := os.WriteFile(filepath.Join(dir, "lj_target.h"), []byte(target), 0o644); err != nil {
		t.Fatal(err)
	}
	c := shore()
	c.Inputs, c.Lead = 4, 2000
	args := append(append([]string{"-mmcu=atmega328p", "-Os", "-mcall-prologues", "-fstack-usage", "-fno-common"}, strict...), header(t, c, dir, dir)...)
	ram, flash, deepest, most := 0, 0, "", 0
	for _, source := range core(t) {
		object := filepath.Join(dir, strings.TrimSuffix(filepath.Base(source), ".c")+".o")
		if out, err := exec.Command("avr-gcc", append(args[:len(args):len(args)], "-c", "-o", object, source)...).CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", source, err, out)
		}
		out, err := exec.Command("avr-size", object).Output()
		if err != nil {
			t.Fatal(err)
		}
		var text, data, bss int
		if _, err := fmt.Sscan(strings.Split(string(out), "\n")[1], &text, &data, &bss); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		flash += text + data
		if name := filepath.Base(source); name != "lj_input.c" && name != "lj_hours.c" {
			ram += data + bss
		}
		t.Logf("%-14s %5d bytes of flash, %4d of memory", filepath.Base(source), text+data, data+bss)
		usage, err := os.ReadFile(strings.TrimSuffix(object, ".o") + ".su")
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(usage)) {
			f := strings.Split(strings.TrimSpace(line), "\t")
			if n, err := strconv.Atoi(f[1]); err == nil && n > most {
				most, deepest = n, f[0]
			}
			if len(f) != 3 || f[2] != "static" {
				t.Errorf("stack without a bound: %s", line)
			}
		}
	}
	t.Logf("player and decoder: %d bytes of memory; all: %d of flash; most stack %d: %s", ram, flash, most, filepath.Base(deepest))
	if ram >= 1000 || flash > 20_000 || most > 120 {
		t.Errorf("%d bytes of memory, %d of flash, %d of stack", ram, flash, most)
	}
}

// checkReadme holds the sizes of a program against a row of the table in the README, to 1 %:
// compilers differ a little.
func checkReadme(t *testing.T, row string, flash, memory int) {
	t.Helper()
	b, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	line := regexp.MustCompile(`(?m)^\| ` + regexp.QuoteMeta(row) + ` \| ([\d,]+) of .*? \| ([\d,]+) \+ `).FindSubmatch(b)
	if line == nil {
		t.Fatalf("README.md has no row %q", row)
	}
	for i, size := range []int{flash, memory} {
		said, err := strconv.Atoi(strings.ReplaceAll(string(line[1+i]), ",", ""))
		if err != nil || math.Abs(float64(said-size)) > 0.01*float64(size) {
			t.Errorf("%s: README.md says %d bytes of %s, measured %d", row, said, []string{"flash", "memory"}[i], size)
		}
	}
}
