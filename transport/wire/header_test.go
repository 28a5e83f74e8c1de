package wire_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"limberjack/transport/wire"
)

// tool skips the test where a program is not installed, and fails it where all
// tools are required.
func tool(t *testing.T, name string) {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s is not installed, and LIMBERJACK_TOOLS is required", name)
		}
		t.Skipf("%s is not installed", name)
	}
}

// headerNumbers compiles a program against the C header that prints each of its
// macros, and runs it.
func headerNumbers(t *testing.T) map[string]int {
	tool(t, "gcc")
	header, err := os.ReadFile("limberjack_wire.h")
	if err != nil {
		t.Fatal(err)
	}
	source := "#include <stdio.h>\n#include \"limberjack_wire.h\"\n#include \"limberjack_wire.h\"\nint main(void) {\n"
	for _, m := range regexp.MustCompile(`(?m)^#define (LJ_\w+) `).FindAllSubmatch(header, -1) {
		source += fmt.Sprintf("    printf(\"%s %%lu\\n\", (unsigned long)%s);\n", m[1], m[1])
	}
	source += "    return 0;\n}\n"
	dir := t.TempDir()
	file, program := filepath.Join(dir, "numbers.c"), filepath.Join(dir, "numbers")
	if err := os.WriteFile(file, []byte(source), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("gcc", "-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-I.", "-o", program, file).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	out, err := exec.Command(program).Output()
	if err != nil {
		t.Fatal(err)
	}
	numbers := map[string]int{}
	for line := range strings.Lines(string(out)) {
		name, text, _ := strings.Cut(strings.TrimSpace(line), " ")
		if numbers[name], err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	return numbers
}

// What C counts on is compared with what Go puts on the wire: each field of each
// message is filled in turn, and the byte that changes first is where it stands.
func TestTheHeaderForBoardsAgreesWithGo(t *testing.T) {
	numbers := headerNumbers(t)
	expect := func(name string, want int) {
		t.Helper()
		if got, ok := numbers[name]; !ok || got != want {
			t.Errorf("%s is %d in C, %d in Go", name, got, want)
		}
		delete(numbers, name)
	}
	for _, k := range kinds() {
		expect("LJ_KIND_"+strings.ToUpper(k.String()), int(k))
		expect("LJ_SIZE_"+strings.ToUpper(k.String()), k.Size())
		for name, at := range offsets(k) {
			expect("LJ_AT_"+strings.ToUpper(k.String()+"_"+name), at)
		}
	}
	expectNamed(expect, "STATE", func(n uint8) fmt.Stringer { return wire.State(n) })
	expectNamed(expect, "CAUSE", func(n uint8) fmt.Stringer { return wire.Cause(n) })
	expectNamed(expect, "RESET", func(n uint8) fmt.Stringer { return wire.Reset(n) })
	expectNamed(expect, "RESULT", func(n uint8) fmt.Stringer { return wire.Result(n) })
	expectNamed(expect, "UNIT", func(n uint8) fmt.Stringer { return wire.Unit(n) })
	expectNamed(expect, "POLICY", func(n uint8) fmt.Stringer { return wire.Policy(n) })
	expectNamed(expect, "CATEGORY", func(n uint8) fmt.Stringer { return wire.Category(n) })
	expectNamed(expect, "TOPIC", func(n uint8) fmt.Stringer { return wire.Topic(n) })
	for u := range uint8(5) {
		expect("LJ_UNITS_"+strings.ToUpper(wire.Unit(u).String()), 1<<u)
	}
	expect("LJ_FLAGS_WEIGHT", int(wire.FlagsWeight))
	expect("LJ_FLAGS_TURNS", int(wire.FlagsTurns))
	expect("LJ_INPUTS_STOP", int(wire.InputsStop))
	expect("LJ_VERSION", wire.Version)
	expect("LJ_HEAD", wire.Overhead-2)
	expect("LJ_OVERHEAD", wire.Overhead)
	expect("LJ_MAX_PAYLOAD", wire.MaxPayload)
	expect("LJ_MAX_PACKET", wire.MaxPacket)
	expect("LJ_MAX_FRAME", wire.MaxFrame)
	expect("LJ_MAX_CHANNELS", wire.MaxChannels)
	expect("LJ_CRC_INITIAL", int(wire.Checksum(nil)))
	expect("LJ_CRC_POLYNOMIAL", int(wire.Checksum([]byte{1})^wire.Checksum([]byte{0})))
	for name := range numbers {
		t.Errorf("Go knows nothing of %s", name)
	}
}

func expectNamed(expect func(string, int), list string, number func(uint8) fmt.Stringer) {
	for n := uint8(0); number(n).(interface{ Known() bool }).Known(); n++ {
		expect("LJ_"+list+"_"+strings.ToUpper(number(n).String()), int(n))
	}
}

// offsets finds where the fields of a message stand in its payload.
func offsets(k wire.Kind) map[string]int {
	at := map[string]int{}
	empty := k.New().Append(nil)
	for i := range reflect.TypeOf(k.New()).Elem().NumField() {
		m := k.New()
		v := reflect.ValueOf(m).Elem()
		f, name := v.Field(i), strings.ToLower(v.Type().Field(i).Name)
		switch {
		case f.CanUint():
			f.SetUint(1<<f.Type().Bits() - 1)
		case f.CanInt():
			f.SetInt(-1)
		case k == wire.KindPose && name == "live":
			// The mask has bytes only with values, which are counted before it.
			v.FieldByName("Values").SetBytes(make([]byte, 2))
			empty = m.Append(nil)
			f.SetBytes([]byte{0xff})
		case k == wire.KindPose:
			at["count"] = firstDifference(k.New().Append(nil), (&wire.Pose{Values: wire.Values{0, 0}}).Append(nil))
			continue
		default:
			f.SetBytes([]byte{0xff, 0xff})
		}
		at[name] = firstDifference(empty, m.Append(nil))
	}
	return at
}

// firstDifference gives where two payloads part, at the latest where one ends.
func firstDifference(a, b []byte) int {
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			return i
		}
	}
	return min(len(a), len(b))
}

func TestTheHeaderHasNoLetterBeyondASCII(t *testing.T) {
	header, err := os.ReadFile("limberjack_wire.h")
	if err != nil {
		t.Fatal(err)
	}
	if i := bytes.IndexFunc(header, func(r rune) bool { return r > 126 }); i >= 0 {
		t.Errorf("byte %d", i)
	}
}
