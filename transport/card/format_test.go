package card

import (
	"hash/crc32"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"limberjack/transport/wire"
)

// field is a row of a table of FORMAT.md.
type field struct{ at, size int }

var fieldRow = regexp.MustCompile("^\\| (\\d+) \\| (\\d*) \\| `(\\w+)` \\| (\\w+) \\|")

// formatTable gives the fields of the table under a heading inside a chapter.
func formatTable(t *testing.T, chapter, heading string) map[string]field {
	t.Helper()
	doc, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(doc), "\n## "+chapter+"\n")
	if ok {
		rest, _, _ = strings.Cut(rest, "\n## ")
		_, rest, ok = strings.Cut(rest, "\n### "+heading+"\n")
	}
	if !ok {
		t.Fatalf("FORMAT.md has no %s under %s", heading, chapter)
	}
	rest, _, _ = strings.Cut(rest, "\n### ")
	fields := map[string]field{}
	for _, line := range strings.Split(rest, "\n") {
		if m := fieldRow.FindStringSubmatch(line); m != nil {
			at, _ := strconv.Atoi(m[1])
			size, _ := strconv.Atoi(m[2])
			fields[m[3]] = field{at, size}
		}
	}
	return fields
}

// holds checks that a record has each number and each text where FORMAT.md says, and
// zeros everywhere else.
func holds(t *testing.T, record []byte, fields map[string]field, want map[string]any) {
	t.Helper()
	rest := append([]byte(nil), record...)
	for name, f := range fields {
		b := record[f.at : f.at+f.size]
		switch w := want[name].(type) {
		case int:
			var got int
			for i := len(b) - 1; i >= 0; i-- {
				got = got<<8 | int(b[i])
			}
			if got != w {
				t.Errorf("%s, byte %d: %#x, and it should be %#x", name, f.at, got, w)
			}
		case string:
			if text(b) != w {
				t.Errorf("%s, byte %d: %q, and it should be %q", name, f.at, text(b), w)
			}
		default:
			t.Errorf("FORMAT.md has a field %s that this test does not know", name)
		}
		clear(rest[f.at : f.at+f.size])
	}
	if len(fields) != len(want) {
		t.Errorf("FORMAT.md has %d fields and this test %d", len(fields), len(want))
	}
	if !zero(rest) {
		t.Errorf("bytes that FORMAT.md does not name are not zero: % x", rest)
	}
}

// TestRecordsAreWhereTheDocumentSays holds the code against the tables of FORMAT.md,
// from which firmware is written.
func TestRecordsAreWhereTheDocumentSays(t *testing.T) {
	const container, index = "The container, `*.LJC`", "The index, `SHOW.LJI`"
	t.Run("header", func(t *testing.T) {
		h := Header{Sectors: 0x01020304, CRC: 0x11121314, Print: 0x21222324, Rig: 0x31323334, Period: 0x41424344, Drift: 0x51525354,
			Tick: 0x61626364, Channels: 0x71, Frames: 0x72, Motions: 0x7374, Table: 0x75767778, Data: 0x797a7b7c, Board: 0x7d, Name: "tower"}
		var s Sector
		h.put(s[:])
		holds(t, s[:checkAt], formatTable(t, container, "Header"), map[string]any{"kind": 0x48, "version": 1, "number": 0, "magic": "LJCARD",
			"sectors": 0x01020304, "crc": 0x11121314, "print": 0x21222324, "rig": 0x31323334, "period": 0x41424344, "drift": 0x51525354,
			"tick": 0x61626364, "channels": 0x71, "frames": 0x72, "motions": 0x7374, "table": 0x75767778, "data": 0x797a7b7c, "board": 0x7d, "name": "tower"})
	})
	t.Run("channel", func(t *testing.T) {
		c := Channel{Output: 0x01, Unit: 0x02, Lost: 0x03, Flags: 0x04, Offset: 0x0506, Low: 0x11121314, High: 0x21222324, Rest: 0x31323334,
			Change: 0x41424344, Slow: 0x51525354, Soft: 0x61626364, Rise: 0x71727374, Name: "head-pan"}
		r := make([]byte, recordSize)
		c.put(r)
		holds(t, r, formatTable(t, container, "Channels"), map[string]any{"channel": 1, "unit": 2, "lost": 3, "flags": 4, "offset": 0x0506,
			"low": 0x11121314, "high": 0x21222324, "rest": 0x31323334, "change": 0x41424344, "slow": 0x51525354, "soft": 0x61626364, "rise": 0x71727374, "name": "head-pan"})
	})
	t.Run("motion", func(t *testing.T) {
		m := Motion{First: 0x01020304, Frames: 0x11121314, From: 0x21222324, CRC: 0x31323334, Sectors: 0x41424344, Prelude: 0x5152, Words: 0x6162, Flags: 0x71, Name: "greet"}
		r := make([]byte, recordSize)
		m.put(r)
		holds(t, r, formatTable(t, container, "Motions"), map[string]any{"first": 0x01020304, "frames": 0x11121314, "from": 0x21222324, "crc": 0x31323334,
			"sectors": 0x41424344, "prelude": 0x5152, "words": 0x6162, "flags": 0x71, "name": "greet"})
	})
	t.Run("index", func(t *testing.T) {
		x := Index{Version: 2, Join: 0x01020304, Start: 0x1112, Name: "The show", Boards: make([]BoardFile, 9), Triggers: make([]Trigger, 0x1516), CRC: 0x21222324}
		var s Sector
		x.header(s[:])
		holds(t, s[:checkAt], formatTable(t, index, "Header"), map[string]any{"kind": 0x49, "version": 2, "number": 0, "magic": "LJSHOW",
			"sectors": 1 + 2 + 0x1516/8 + 1, "crc": 0x21222324, "join": 0x01020304, "motions": 0x1516, "start": 0x1112, "table": 3, "boards": 9, "name": "The show"})
	})
	t.Run("board", func(t *testing.T) {
		b := BoardFile{File: "TOWER.LJC", Print: 0x01020304, CRC: 0x11121314, Sectors: 0x21222324, Name: "tower"}
		r := make([]byte, recordSize)
		b.put(r)
		holds(t, r, formatTable(t, index, "Boards"), map[string]any{"file": "TOWER.LJC", "print": 0x01020304, "crc": 0x11121314, "sectors": 0x21222324, "name": "tower"})
	})
	t.Run("trigger", func(t *testing.T) {
		x := Trigger{Starts: 1, Busy: 2, Flags: 3, Board: 4, Input: 0x0506, WarmUp: 0x11121314, Lockout: 0x21222324, Least: 0x31323334,
			Greatest: 0x41424344, Seed: 0x51525354, After: [4]uint16{0x6162, 0x6364, 0x6566, 0x6768}, Name: "greet"}
		r := make([]byte, recordSize)
		x.put(r)
		holds(t, r, formatTable(t, index, "Triggers"), map[string]any{"starts": 1, "busy": 2, "flags": 3, "board": 4, "input": 0x0506,
			"warm_up": 0x11121314, "lockout": 0x21222324, "least": 0x31323334, "greatest": 0x41424344, "seed": 0x51525354, "after": 0x6768656663646162, "name": "greet"})
	})
}

// TestPrintCoversWhatTheDocumentSays makes the fingerprint from the file's bytes, by
// the words of FORMAT.md.
func TestPrintCoversWhatTheDocumentSays(t *testing.T) {
	c := planned(t, shore(), "shore.show.yaml", Options{})
	f := onDisk(t, c)["TOWER.LJC"]
	b := append([]byte(nil), f[36:40]...)
	for i := range int(f[40]) {
		sector := 1 + i/8
		b = append(b, f[512*sector+8+60*(i%8):][:20]...)
	}
	if got, want := le.Uint32(f[20:]), crc32.ChecksumIEEE(b); got != want {
		t.Errorf("the print is %08x, and by its bytes %08x", got, want)
	}
}

// TestSumsAreThoseOfTheCatalogue: check values of CRC-16/IBM-3740 and CRC-32/ISO-HDLC
// in the RevEng catalogue of parametrised CRC algorithms.
func TestSumsAreThoseOfTheCatalogue(t *testing.T) {
	if got := wire.Checksum([]byte("123456789")); got != 0x29b1 {
		t.Errorf("CRC-16 %04x", got)
	}
	if got := crc32.ChecksumIEEE([]byte("123456789")); got != 0xcbf43926 {
		t.Errorf("CRC-32 %08x", got)
	}
}

// TestCRCJoin holds the joined sum against that of all bytes by the standard library.
func TestCRCJoin(t *testing.T) {
	b := make([]byte, 5000)
	r := Random(firstState)
	for i := range b {
		b[i] = byte(r.Next())
	}
	for _, n := range []int{0, 1, 2, 511, 512, 513, 4096, 5000} {
		got := crcJoin(crc32.ChecksumIEEE(b[:n]), crc32.ChecksumIEEE(b[n:]), int64(len(b)-n))
		if want := crc32.ChecksumIEEE(b); got != want {
			t.Errorf("cut at %d: %08x, want %08x", n, got, want)
		}
	}
	// A long run of zeros, by the standard library in pieces.
	long, piece := crc32.ChecksumIEEE(b), make([]byte, 1<<20)
	zeros := uint32(0)
	for range 40 {
		long, zeros = crc32.Update(long, crc32.IEEETable, piece), crc32.Update(zeros, crc32.IEEETable, piece)
	}
	if got := crcJoin(crc32.ChecksumIEEE(b), zeros, 40<<20); got != long {
		t.Errorf("40 MiB: %08x, want %08x", got, long)
	}
}

// TestRandomIsThePapers: the first number after 2463534242 with shifts 13, 17 and 5 is
// 723471715 (Marsaglia, Xorshift RNGs, 2003; value from memory, and worked out by hand
// in another language). The period of 2^32 - 1 is the paper's theorem.
func TestRandomIsThePapers(t *testing.T) {
	r := Random(2463534242)
	for i, want := range []uint32{723471715, 2497366906, 2064144800} {
		if got := r.Next(); got != want {
			t.Errorf("number %d is %d, want %d", i, got, want)
		}
	}
}

// TestIntervalsAreEven: each interval is as likely as every other. Over n draws in k
// boxes chi squared has k-1 degrees of freedom; the bound is the mean and five
// standard deviations.
func TestIntervalsAreEven(t *testing.T) {
	for _, c := range []struct{ least, greatest uint32 }{{0, 2}, {4000, 4012}, {5, 68}, {100, 355}, {7, 1006}} {
		r := Random(seedOf(3, 1))
		k := int(c.greatest-c.least) + 1
		const each = 1000
		boxes := make([]int, k)
		for range each * k {
			x := r.Interval(c.least, c.greatest)
			if x < c.least || x > c.greatest {
				t.Fatalf("%d is outside %d to %d", x, c.least, c.greatest)
			}
			boxes[x-c.least]++
		}
		chi := 0.0
		for _, n := range boxes {
			d := float64(n - each)
			chi += float64(d*d) / each
		}
		if free := float64(k - 1); chi > free+5*sqrt(2*free) || chi < free-5*sqrt(2*free) {
			t.Errorf("%d to %d: chi squared %.1f with %v degrees of freedom", c.least, c.greatest, chi, free)
		}
	}
	r := Random(firstState)
	if x := r.Interval(5000, 5000); x != 5000 || r != firstState {
		t.Error("an interval without a choice must draw nothing")
	}
	if x := r.Interval(0, 172_800_000); x > 172_800_000 {
		t.Errorf("%d is over 48 h", x)
	}
}

// TestSeedsDoNotBeginAlike: small seeds and equal ones give other first intervals.
func TestSeedsDoNotBeginAlike(t *testing.T) {
	seen := map[uint32]bool{}
	for seed := range uint64(30) {
		for motion := range 30 {
			r := Random(seedOf(seed, motion))
			seen[r.Interval(0, 1<<30)] = true
		}
	}
	if len(seen) < 899 {
		t.Errorf("only %d of 900 first intervals differ", len(seen))
	}
}

func TestFileNames(t *testing.T) {
	for _, c := range []struct{ boards, want []string }{
		{[]string{"main", "shore"}, []string{"MAIN.LJC", "SHORE.LJC"}},
		{[]string{"lighthouse-a", "lighthouse-b", "lighthouse-c"}, []string{"LIGHTHOU.LJC", "LIGHTH~2.LJC", "LIGHTH~3.LJC"}},
		{[]string{"show", "Readme", "a.b", "été", "a_b"}, []string{"SHOW~2.LJC", "README~2.LJC", "A_B.LJC", "__T__.LJC", "A_B~2.LJC"}},
	} {
		got := fileNames(c.boards)
		for i, w := range c.want {
			if got[i] != w || !isContainerName(got[i]) {
				t.Errorf("%s: %s, want %s", c.boards[i], got[i], w)
			}
		}
	}
	many := make([]string, 120)
	for i := range many {
		many[i] = "the same beginning"
	}
	seen := map[string]bool{}
	for _, n := range fileNames(many) {
		if seen[n] || !isContainerName(n) {
			t.Errorf("%s comes twice or cannot be", n)
		}
		seen[n] = true
	}
}
