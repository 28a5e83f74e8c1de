package firmware_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"limberjack/transport/card"
	"limberjack/transport/firmware"
	"limberjack/transport/live"
	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// stockCore is where Debian's package arduino-core-avr has the IDE's core.
const stockCore = "/usr/share/arduino/hardware/arduino/avr"

// recipes are how the IDE calls the compiler: platform.txt and the board's part of boards.txt.
type recipes map[string]string

// ideBoards are the IDE's names of the boards: what lines of boards.txt begin with.
var ideBoards = map[*target][]string{small: {"uno."}, large: {"mega.", "mega.menu.cpu.atmega2560."}}

// readRecipes reads them for a board.
func readRecipes(t *testing.T, g *target) recipes {
	t.Helper()
	r := recipes{}
	for _, file := range []string{"platform.txt", "boards.txt"} {
		b, err := os.ReadFile(filepath.Join(stockCore, file))
		if err != nil {
			if os.Getenv("LIMBERJACK_TOOLS") == "required" {
				t.Fatal("arduino-core-avr is not installed, and LIMBERJACK_TOOLS is required")
			}
			t.Skip("arduino-core-avr is not installed")
		}
		for line := range strings.Lines(string(b)) {
			name, value, ok := strings.Cut(strings.TrimSpace(line), "=")
			if !ok || strings.HasPrefix(name, "#") {
				continue
			}
			if file == "platform.txt" {
				r[name] = value
				continue
			}
			for _, prefix := range ideBoards[g] {
				if name, ok := strings.CutPrefix(name, prefix); ok {
					r[name] = value
				}
			}
		}
	}
	// What the IDE says itself. Its "all" warnings are those of -Wall -Wextra.
	maps.Copy(r, recipes{"compiler.path": "", "runtime.ide.version": "10819", "build.arch": "AVR",
		"compiler.warning_flags": r["compiler.warning_flags.all"],
		"build.core.path":        filepath.Join(stockCore, "cores", r["build.core"]),
		"build.variant.path":     filepath.Join(stockCore, "variants", r["build.variant"]),
		"includes":               fmt.Sprintf(`"-I%s/cores/%s" "-I%s/variants/%s"`, stockCore, r["build.core"], stockCore, r["build.variant"]),
		"build.project_name":     "board",
		"archive_file":           "core.a",
		// Debian 12's avr-gcc 5.4 has this in <float.h> for C only, and the core's
		// WString.cpp needs it; the compiler that the IDE brings has it.
		"compiler.cpp.extra_flags": "-DDECIMAL_DIG=__DECIMAL_DIG__",
	})
	return r
}

var (
	inBraces = regexp.MustCompile(`\{[\w.]+\}`)
	words    = regexp.MustCompile(`"[^"]*"|\S+`)
)

// run does a recipe, and gives what the compiler says.
func (r recipes) run(t *testing.T, recipe string, with recipes) string {
	t.Helper()
	line := r[recipe]
	if line == "" {
		t.Fatalf("platform.txt has no %s", recipe)
	}
	for strings.Contains(line, "{") {
		next := inBraces.ReplaceAllStringFunc(line, func(s string) string {
			if v, ok := with[strings.Trim(s, "{}")]; ok {
				return v
			}
			return r[strings.Trim(s, "{}")]
		})
		if next == line {
			t.Fatalf("%s cannot be expanded: %s", recipe, line)
		}
		line = next
	}
	args := words.FindAllString(line, -1)
	for i := range args {
		args[i] = strings.Trim(args[i], `"`)
	}
	cmd := exec.Command(args[0], args[1:]...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, said.Bytes())
	}
	return said.String()
}

// compile compiles a source to an object in a directory.
func (r recipes) compile(t *testing.T, source, dir string) (object, said string) {
	t.Helper()
	kind := map[string]string{".c": "c", ".cpp": "cpp", ".S": "S"}[filepath.Ext(source)]
	object = filepath.Join(dir, filepath.Base(source)+".o")
	return object, r.run(t, "recipe."+kind+".o.pattern", recipes{"source_file": source, "object_file": object})
}

// archive builds the IDE's core as a library, once for all sketches.
func (r recipes) archive(t *testing.T) string {
	t.Helper()
	return once(t, "stock-"+r["build.mcu"], func(dir string) {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		files, _ := filepath.Glob(filepath.Join(r["build.core.path"], "*.*"))
		for _, file := range files {
			if ext := filepath.Ext(file); ext != ".c" && ext != ".cpp" && ext != ".S" {
				continue
			}
			object, _ := r.compile(t, file, dir)
			r.run(t, "recipe.ar.pattern", recipes{"archive_file_path": filepath.Join(dir, "core.a"), "object_file": object})
		}
	})
}

// sketch puts sources into the layout of a sketch, as README.md in src/sketch says.
func sketch(t *testing.T, name string, c *firmware.Config, sources, headers []string) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), name)
	src := filepath.Join(dir, "src")
	if err := os.MkdirAll(src, 0o755); err != nil {
		t.Fatal(err)
	}
	put := func(from, to string) {
		b, err := os.ReadFile(from)
		if err == nil {
			if _, err := os.Stat(to); err == nil {
				t.Fatalf("there are two of %s", to)
			}
			err = os.WriteFile(to, b, 0o644)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	put("src/sketch/limberjack.ino", filepath.Join(dir, name+".ino"))
	for _, file := range append(sources, headers...) {
		put(file, filepath.Join(src, filepath.Base(file)))
	}
	header(t, c, src, "")
	return dir
}

// buildSketch builds a sketch as the IDE does, and gives its program. Nothing that is ours
// may be warned of.
func buildSketch(t *testing.T, g *target, dir string) string {
	t.Helper()
	r := readRecipes(t, g)
	tool(t, "avr-gcc")
	core, out := r.archive(t), t.TempDir()
	ino := filepath.Join(dir, filepath.Base(dir)+".ino")
	text, err := os.ReadFile(ino)
	if err != nil {
		t.Fatal(err)
	}
	// What the IDE makes of it: C++, with the core's header and prototypes before it.
	cpp := filepath.Join(out, filepath.Base(ino)+".cpp")
	text = fmt.Appendf(nil, "#include <Arduino.h>\n#line 1 %q\nvoid setup();\nvoid loop();\n#line 1 %q\n%s", ino, ino, text)
	if err := os.WriteFile(cpp, text, 0o644); err != nil {
		t.Fatal(err)
	}
	sources := []string{cpp}
	err = filepath.WalkDir(filepath.Join(dir, "src"), func(path string, _ fs.DirEntry, err error) error {
		if filepath.Ext(path) == ".c" {
			sources = append(sources, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	var objects []string
	for _, source := range sources {
		object, said := r.compile(t, source, out)
		if said != "" {
			t.Errorf("%s: %s", source, said)
		}
		objects = append(objects, `"`+object+`"`)
	}
	archive, err := os.ReadFile(filepath.Join(core, "core.a"))
	if err == nil {
		err = os.WriteFile(filepath.Join(out, "core.a"), archive, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	r.run(t, "recipe.c.combine.pattern", recipes{"build.path": out, "object_files": strings.Join(objects, " ")})
	program := filepath.Join(out, r["build.project_name"]+".elf")
	r.run(t, "recipe.objcopy.hex.pattern", recipes{"build.path": out})
	size, err := exec.Command("avr-size", program).Output()
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("by the recipes of the core %s\n%s", r["version"], size)
	return program
}

// headersOf gives the headers in directories of the sources.
func headersOf(dirs ...string) (all []string) {
	for _, dir := range dirs {
		files, _ := filepath.Glob(filepath.Join(dir, "*.h"))
		all = append(all, files...)
	}
	return append(all, "../wire/limberjack_wire.h")
}

// TestSketch builds the board as the common IDE does, with its stock core, and lets it tell
// who it is, with all timers as they must be.
func TestSketch(t *testing.T) {
	t.Parallel()
	_, bare := load(t, galleryRig(250000), galleryMotion(10))
	_, shore := load(t, shoreRig(250000), shoreMotion(2))
	for _, test := range []struct {
		name    string
		tl      *timeline.Timeline
		config  *firmware.Config
		sources []string
		headers []string
	}{
		{"gallery", bare, bareConfig(bare, 250000), bareSources(t), headersOf("src/core", "src/avr")},
		{"shore", shore, pwmConfig(shore, 250000, 25000), pwmSources(t), headersOf("src/core", "src/avr", "src/avr-pwm")},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := newChip(t, buildSketch(t, small, sketch(t, test.name, test.config, test.sources, test.headers)), 250000)
			if test.name == "shore" {
				c.do("pwm attach 25000000")
			}
			s := streamSketch(t, c, test.tl)
			if string(s.id.Name) != test.config.Name || int(s.id.Channels) != len(test.tl.Channels) || int(s.id.Depth) != test.config.Queue {
				t.Errorf("it says that it is %+v", s.id)
			}
			// ATmega328P data sheet, register summary: TIMSK0 and TIMSK2 allow interrupts
			// of Timer0 and Timer2, which the core's init would.
			for _, at := range []string{"@0x6e", "@0x70"} {
				if b := c.peek(at, 1); b[0] != 0 {
					t.Errorf("the register %s is %#x: a timer of the stock core interrupts", at, b[0])
				}
			}
			if test.name == "gallery" {
				checkFrames(t, s)
				checkPulses(t, s)
				return
			}
			d := &driven{chip: c, osc: 25e6}
			d.sort(t)
			checkDriven(t, d, test.tl, d.sentFrames(t, pwmServos))
		})
	}
}

// streamSketch plays a motion on a program of a sketch.
func streamSketch(t *testing.T, c *chip, tl *timeline.Timeline) *streamed {
	t.Helper()
	s := &streamed{chip: c, tl: tl, slot: 20000 * cyclesPerUS}
	synctest.Test(t, func(t *testing.T) {
		clock := live.NewSystemClock()
		link := newSimLink(c, clock, 250000, 0)
		time.Sleep(200 * time.Millisecond)
		b, err := live.Connect(t.Context(), link, live.Options{Timeline: tl, Clock: clock})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		s.id = b.Identity()
		if err := b.Arm(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		time.Sleep(5 * time.Second) // until the host knows the board's clock to some us
		if err := live.Play(t.Context(), []*live.Board{b}, []*timeline.Timeline{tl}, live.PlayOptions{}); err != nil {
			t.Fatal(err)
		}
		if s.status, err = b.Report(t.Context()); err != nil {
			t.Fatal(err)
		}
		s.frames = link.frames
	})
	if s.status.State != wire.StateArmed && s.status.State != wire.StatePlaying {
		t.Errorf("the board says %+v", s.status)
	}
	return s
}

// TestCardSketch: the program that plays from a card, for both chips, as the IDE builds it, plays
// every pulse. With twelve servos its flags make it larger than an ATmega328P with a
// bootloader: then README.TXT says that it is to be built by hand.
func TestCardSketch(t *testing.T) {
	t.Parallel()
	const seconds = 10
	for _, g := range []*target{small, large} {
		t.Run(g.mcu, func(t *testing.T) {
			rig := galleryRig(250000)
			e := exhibitOf(t, documents{"rig.yaml": rig, "motion.yaml": galleryMotion(seconds)}, "motion.yaml", card.ImageOptions{})
			p, err := firmware.ConfigOf(e.show.Rig, e.show.Rig.Boards[0], portOf(t, g.port))
			if err != nil {
				t.Fatal(err)
			}
			if err := p.Plays(firmware.Plays{Wire: g == large, Card: true}); err != nil {
				t.Fatal(err)
			}
			files, err := p.Tree("card")
			if err != nil {
				t.Fatal(err)
			}
			byHand := strings.Contains(string(files["README.TXT"]), "Build it by hand")
			if g == small { // by the IDE's flags the linker has no room for it
				if !byHand {
					t.Error("README.TXT does not say that it is to be built by hand")
				}
				return
			}
			dir := sketch(t, "card", p.Config, cardBoardSources(t), headersOf("src/core", "src/avr"))
			program := buildSketch(t, g, dir)
			c := g.chip(t, program, 250000, "-c", imageFile(t, e))
			c.run((seconds + 3) * 1_000_000 * cyclesPerUS)
			checkCardPulses(t, c, e.lines[0][0])
			checkCardFigures(t, c, c.stat())
			room, err := strconv.Atoi(readRecipes(t, g)["upload.maximum_size"])
			out, size := exec.Command("avr-size", program).Output()
			var text, data int
			if _, scan := fmt.Sscan(strings.Split(string(out), "\n")[1], &text, &data); err != nil || size != nil || scan != nil {
				t.Fatal(err, size, scan)
			}
			t.Logf("%d bytes of flash, the IDE takes %d", text+data, room)
			if text+data > room || byHand {
				t.Errorf("%d bytes of flash, the IDE takes %d, and README.TXT says that it is to be built by hand: %v", text+data, room, byHand)
			}
		})
	}
}
