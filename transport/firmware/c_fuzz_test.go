package firmware_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/wire"
)

// The C alone, under libFuzzer (https://llvm.org/docs/LibFuzzer.html): programs in fuzz and
// src/host that abort when the player breaks what they hold it to. What they begin with are
// the inputs that the fuzzers in Go begin with, and those in testdata/fuzz.

// fuzzing are the flags of a program for libFuzzer. How deep the stack is differs with where
// it begins, which is another place in each run.
var fuzzing = []string{"-g1", "-O1", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-coverage=stack-depth", "-fno-sanitize-recover=all"}

// fuzzerOf compiles a program for libFuzzer, and skips the test where clang has none.
func fuzzerOf(t testing.TB, c *firmware.Config, sources []string, flags ...string) string {
	t.Helper()
	tool(t, "clang")
	probe := exec.Command("clang", "-fsanitize=fuzzer", "-x", "c", "-", "-o", filepath.Join(t.TempDir(), "probe"))
	probe.Stdin = strings.NewReader("int LLVMFuzzerTestOneInput(const unsigned char *d, unsigned long n) { return d != 0 && n > 9; }\n")
	if out, err := probe.CombinedOutput(); err != nil {
		const missing = "clang has no libFuzzer here (Debian: libclang-rt-N-dev, N being clang's version)"
		if os.Getenv("LIMBERJACK_TOOLS") == "required" {
			t.Fatalf("%s, and LIMBERJACK_TOOLS is required\n%s", missing, out)
		}
		t.Skip(missing)
	}
	return compile(t, "clang", c, sources, append(slices.Clone(fuzzing), flags...)...)
}

// TestFuzzedInC runs each for a fixed number of inputs from a fixed seed, which comes out the
// same each time. LIMBERJACK_FUZZ_SECONDS has it run for so long, from a seed of its own, and
// LIMBERJACK_FUZZ_CORPUS names a folder for what it finds.
func TestFuzzedInC(t *testing.T) {
	tests := []struct {
		name  string
		runs  int
		most  int // bytes of an input
		build func(testing.TB) string
		seeds func(testing.TB) [][]byte
	}{
		{"player", 20_000, 1024, playerFuzzer, playerSeeds},
		{"line", 10_000, 4096, lineFuzzer, lineSeeds},
		{"card", 2000, 514, cardFuzzer, cardSeeds},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			path := test.build(t)
			corpus, found := t.TempDir(), t.TempDir()+string(filepath.Separator)
			if dir := os.Getenv("LIMBERJACK_FUZZ_CORPUS"); dir != "" {
				corpus = filepath.Join(dir, test.name)
				if err := os.MkdirAll(corpus, 0o755); err != nil {
					t.Fatal(err)
				}
			}
			seeds := test.seeds(t)
			for i, b := range seeds {
				if err := os.WriteFile(filepath.Join(corpus, fmt.Sprintf("%06d", i)), b, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			// What it learns from comparisons differs from run to run with the addresses of memory,
			// and what it reads anew with the time.
			args := []string{"-seed=1", "-use_cmp=0", "-reload=0", fmt.Sprint("-runs=", len(seeds)+test.runs)}
			if s := os.Getenv("LIMBERJACK_FUZZ_SECONDS"); s != "" {
				args = []string{"-max_total_time=" + s}
			}
			args = append(args, fmt.Sprint("-max_len=", test.most), "-timeout=60", "-artifact_prefix="+found, corpus)
			cmd := exec.Command(path, args...)
			cmd.Env = append(os.Environ(), "UBSAN_OPTIONS=print_stacktrace=1")
			out, err := cmd.CombinedOutput()
			if err != nil {
				list, _ := filepath.Glob(found + "*")
				for _, name := range list {
					b, _ := os.ReadFile(name)
					t.Logf("the input, for testdata/fuzz:\n%q", b)
				}
				t.Fatalf("%v\n%s", err, tail(out, 8<<10))
			}
			for line := range strings.Lines(string(out)) {
				if strings.Contains(line, "DONE") {
					t.Logf("%d seeds; %s", len(seeds), strings.TrimSpace(line))
				}
			}
		})
	}
}

func tail(b []byte, n int) []byte { return b[max(0, len(b)-n):] }

// stored gives the inputs in a folder of the corpora that Go keeps, each with its values as
// they are written there.
func stored(t testing.TB, folder string) (list [][]string) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range files {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(string(b)), "\n")
		if lines[0] != "go test fuzz v1" || len(lines) < 2 {
			t.Fatalf("%s is no input of a fuzzer", name)
		}
		list = append(list, lines[1:])
	}
	return list
}

// bytesOf reads a value of such an input.
func bytesOf(t testing.TB, value string) []byte {
	t.Helper()
	text, ok := strings.CutPrefix(value, "[]byte(")
	if !ok {
		t.Fatalf("%q is no []byte", value)
	}
	s, err := strconv.Unquote(strings.TrimSuffix(text, ")"))
	if err != nil {
		t.Fatalf("%q: %v", value, err)
	}
	return []byte(s)
}

// watched are what all programs of the fuzzers share beside the core.
var watched = []string{"src/host/lj_host_memory.c", "fuzz/watch.c"}

// watchedCore gives the sources of such a program around the player without its card.
func watchedCore(t testing.TB, program string) []string {
	return slices.Concat(core(t), []string{"src/host/lj_no_eeprom.c"}, watched, []string{program})
}

// ---- the player by its functions ----

func playerFuzzer(t testing.TB) string {
	return fuzzerOf(t, keeper(), watchedCore(t, "fuzz/player.c"))
}

func playerSeeds(testing.TB) [][]byte {
	// Armed, then frames of six channels, a start, silence, a stop; and a board that plays by itself.
	return [][]byte{[]byte("\x30" + strings.Repeat("\x01\x02", 8) + "\x87\x16" + strings.Repeat("\x20\x0b", 11) + "\x88\x04\x20\x00\x00\x00" +
		strings.Repeat("\x50\x20", 30) + "\x60" + strings.Repeat("\x67"+strings.Repeat("\xb8\x0b", 7), 5) + "\x61\x00\x10" + strings.Repeat("\x50\x20", 9))}
}

// ---- the line ----

func lineFuzzer(t testing.TB) string {
	return fuzzerOf(t, tower(), watchedCore(t, "fuzz/line.c"))
}

// lineSeeds are what FuzzLine begins with, and what the wire's decoder is tried with.
func lineSeeds(t testing.TB) [][]byte {
	list := lines(t)
	for _, folder := range []string{"testdata/fuzz/FuzzLine", "../wire/testdata/fuzz/FuzzDecoder"} {
		for _, values := range stored(t, folder) {
			list = append(list, bytesOf(t, values[0]))
		}
	}
	return list
}

// piece is how many bytes of an input come at once, before time passes (fuzz/line.c).
const piece = 37

// lines are inputs for FuzzLine: messages one by one, all together, and a whole session whose
// times are right.
func lines(t testing.TB) (list [][]byte) {
	p := &performer{twin: newTwin(t, tower(), 1<<32-20_000), period: 20_000}
	var whole []byte
	add := func(ms ...wire.Message) {
		for _, m := range ms {
			b := p.frame(m)
			list = append(list, b)
			whole = append(whole, b...)
		}
	}
	arm := &wire.Arm{Boot: p.boot, Values: wire.Values(nil).Add(3000, 3000, 3000, 0, 0, 0, 0)}
	setup := &wire.Setup{Channels: 7, Period: 20_000_000, Silence: 250}
	add(&wire.Identify{Version: 1}, &wire.Ask{Channel: 5}, &wire.Clock{Token: 5}, setup)
	add(towerChannels()...)
	add(arm, &wire.Frames{Values: append(p.row(), p.row()...)}, &wire.Start{Time: 1000}, &wire.Hold{}, &wire.Resume{Time: 90_000},
		&wire.Flush{Index: 1}, &wire.Query{Topic: wire.TopicPose}, &wire.Stop{Category: 1})
	list = append(list, whole, append([]byte{255}, whole[:254]...))

	var line []byte
	say := func(ms ...wire.Message) {
		for _, m := range ms {
			line = append(line, p.frame(m)...)
		}
	}
	// tick is the board's time when what is said next has come.
	tick := func() wire.Tick {
		at := uint32(1<<32 - 20_000)
		for i := 0; i+piece <= len(line); i += piece {
			at += uint32(line[i]) * 100
		}
		return wire.Tick(at)
	}
	wait := func(us uint32) { // by pieces that begin with a byte of no packet
		for end := uint32(tick()) + us; int32(end-uint32(tick())) > 0; {
			line = append(line, make([]byte, (piece-len(line)%piece)%piece)...)
			line = append(append(line, 255), make([]byte, piece-1)...)
		}
	}
	var due wire.Tick // of the next frame
	feed := func(frames int) {
		for ; frames > 0; frames -= 2 {
			say(&wire.Frames{Index: p.index, Time: due, Spacing: 20_000_000, Values: append(p.row(), p.row()...)})
			p.index, due = p.index.Add(2), due+40_000
		}
	}
	say(setup)
	say(towerChannels()...)
	say(arm)
	due = tick() + 250_000
	feed(8)
	say(&wire.Start{Time: due - 160_000})
	for range 4 {
		wait(60_000)
		feed(4)
	}
	say(&wire.Hold{}, &wire.Query{Topic: wire.TopicPose})
	wait(100_000)
	say(&wire.Resume{Time: tick() + 60_000})
	wait(100_000)
	said := len(line)
	wait(400_000)
	list, line = append(list, slices.Clone(line)), line[:said] // silence, or an end in good order
	say(&wire.Flush{Index: p.index.Add(-2)}, &wire.Stop{Category: 1})
	wait(300_000)
	say(arm, &wire.Stop{Category: wire.CategoryDrop})
	return append(list, line)
}

// ---- the card ----

// cardBase are the cards that inputs of fuzz/card.c change, all with the same show.
type cardBase struct {
	e      *exhibit // of the first
	images [][]byte
	places [][]int // sectors of index and container
}

const fuzzCards = 4 // FAT16, FAT32, and both in pieces, the last in a partition

// newCardBase writes them.
func newCardBase(t testing.TB) *cardBase {
	t.Helper()
	b := &cardBase{e: exhibitOf(t, coastShow(fuzzMotions, nil), "coast.show.yaml", card.ImageOptions{})}
	for i := range fuzzCards {
		e := *b.e
		if i%2 == 1 {
			e.write(t, card.ImageOptions{FAT: card.FAT32})
		}
		image, places := slices.Clone(e.image), append(sectorsOf(e.place(t, e.index), len(e.index)), sectorsOf(e.place(t, e.file), len(e.file))...)
		if i >= 2 {
			places = scatter(t, image, places, len(e.index)/512)
		}
		image = image[:512*(slices.Max(places)+1)] // the rest is free space, which nobody reads
		if i == 3 {
			const begin = 8
			image = append(tableOf(begin, len(image)/512), image...)
			for k := range places {
				places[k] += begin
			}
		}
		b.images, b.places = append(b.images, image), append(b.places, places)
	}
	return b
}

// tableOf gives all that is before a volume of FAT32 in a partition, as in partitioned.
func tableOf(begin, sectors int) []byte {
	b := make([]byte, 512*begin)
	b[446+4] = 0x0c
	le32(b[446+8:], uint32(begin))
	le32(b[446+12:], uint32(sectors))
	b[510], b[511] = 0x55, 0xaa
	return b
}

// sectorsOf gives the numbers of sectors that follow each other.
func sectorsOf(at, length int) (list []int) {
	for i := range length / 512 {
		list = append(list, at/512+i)
	}
	return list
}

// scatter moves the files of a volume whose clusters are one sector each, so that none of
// their clusters follows the one before: the first sectors are those of one file, the rest
// of the other. It gives where they are then. FAT by Microsoft's "FAT: General Overview of
// On-Disk Format", 1.03 (2000).
func scatter(t testing.TB, image []byte, places []int, first int) []int {
	t.Helper()
	n16 := func(at int) int { return int(binary.LittleEndian.Uint16(image[at:])) }
	n32 := func(at int) int { return int(binary.LittleEndian.Uint32(image[at:])) }
	if image[13] != 1 || image[16] != 2 {
		t.Fatal("this is for clusters of one sector, and two FATs")
	}
	wide, table := n16(22) == 0, n16(22)
	if wide {
		table = n32(36)
	}
	fat := n16(14)
	data := fat + 2*table + n16(17)/16
	set := func(cluster, to int) {
		for k := range 2 {
			if at := 512 * (fat + k*table); wide {
				binary.LittleEndian.PutUint32(image[at+4*cluster:], uint32(to))
			} else {
				binary.LittleEndian.PutUint16(image[at+2*cluster:], uint16(to))
			}
		}
	}
	next := slices.Max(places) - data + 2 + 100 // behind the texts too
	var moved []int
	for i := range places {
		k := (7*i + 3) % len(places)
		moved = append(moved, data+next-2+2*k)
	}
	for i, from := range places {
		copy(image[512*moved[i]:][:512], image[512*from:][:512])
		set(from-data+2, 0)
		to := 0x0fffffff
		if i+1 != first && i+1 < len(places) {
			to = moved[i+1] - data + 2
		}
		set(moved[i]-data+2, to)
	}
	for i, name := range []string{"SHOW    LJI", "TOWER   LJC"} {
		at, cluster := bytes.Index(image, []byte(name)), moved[i*first]-data+2
		binary.LittleEndian.PutUint16(image[at+26:], uint16(cluster))
		binary.LittleEndian.PutUint16(image[at+20:], uint16(cluster>>16))
	}
	return moved
}

// file gives all of it as fuzz/card.c reads it.
func (b *cardBase) file() []byte {
	f := binary.LittleEndian.AppendUint32(nil, uint32(len(b.images)))
	for i := range b.images {
		f = binary.LittleEndian.AppendUint32(f, uint32(len(b.images[i])))
		f = binary.LittleEndian.AppendUint32(f, uint32(len(b.places[i])))
		for _, p := range b.places[i] {
			f = binary.LittleEndian.AppendUint32(f, uint32(p))
		}
		f = append(f, b.images[i]...)
	}
	return f
}

func cardFuzzer(t testing.TB) string {
	b := newCardBase(t)
	name := filepath.Join(t.TempDir(), "cards")
	if err := os.WriteFile(name, b.file(), 0o644); err != nil {
		t.Fatal(err)
	}
	sources := slices.DeleteFunc(cardSources(t), func(s string) bool { return strings.HasSuffix(s, "card_host.c") || strings.HasSuffix(s, "lj_fat.c") })
	sources = slices.Concat(sources, watched, []string{"fuzz/fat.c", "fuzz/card.c"})
	return fuzzerOf(t, b.e.config, sources, printFlag(b.e.contents.Header.Print), fmt.Sprintf("-DLJ_CARDS=%q", name))
}

// The second byte of an input of fuzz/card.c.
const (
	inFiles  = 1 << iota // places count in index and container
	resealed             // what was changed has a right CRC
)

// cardSeeds are each card as it is, whatever happens to it, and what FuzzCardFiles and
// FuzzCardVolume begin with.
func cardSeeds(t testing.TB) (list [][]byte) {
	for i := range fuzzCards {
		for weather := range 8 {
			list = append(list, []byte{byte(i), byte(weather << 2)})
		}
	}
	flag := func(value string, f byte) byte {
		if value == "bool(true)" {
			return f
		}
		return 0
	}
	for _, values := range stored(t, "testdata/fuzz/FuzzCardFiles") {
		list = append(list, append([]byte{0, inFiles | flag(values[1], resealed)}, bytesOf(t, values[0])...))
	}
	for _, values := range stored(t, "testdata/fuzz/FuzzCardVolume") {
		list = append(list, append([]byte{flag(values[1], 1), 0}, bytesOf(t, values[0])...))
	}
	for _, values := range stored(t, "testdata/fuzz/card") {
		list = append(list, bytesOf(t, values[0]))
	}
	return list
}
