package card

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// flat gives a text with its lines joined, as somebody reads it.
func flat(b []byte) string { return strings.Join(strings.Fields(string(b)), " ") }

// TestLightIsThatOfTheProgram: what the texts say of the light is what the board's program
// does: its codes in their order (lj_show.h), the pins of its chips (chip_*.h), and how often
// it looks at a card (lj_show.c).
func TestLightIsThatOfTheProgram(t *testing.T) {
	source := func(name string) string {
		b, err := os.ReadFile("../firmware/src/" + name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	var names []string
	for _, m := range regexp.MustCompile(`(?m)^    LJ_CODE_(\w+),? `).FindAllStringSubmatch(source("core/lj_show.h"), -1) {
		names = append(names, m[1])
	}
	want := []struct{ name, word string }{{"NONE", ""}, {"CARD", "no card"}, {"FILES", "no show"}, {"FOREIGN", "another board"}, {"DAMAGED", "damaged"},
		{"MEMORY", "more triggers"}, {"RESETS", "three resets in a minute"}, {"OFF", "stopped, or a host"}, {"WORN", "sectors left out"}}
	if len(names) != len(want) || len(want) != len(lightCodes)+1 {
		t.Fatalf("the program has the codes %v, and the texts %d", names, len(lightCodes))
	}
	for i, w := range want {
		if names[i] != w.name || i > 0 && !strings.Contains(lightCodes[i-1].what, w.word) {
			t.Errorf("%d blinks are LJ_CODE_%s, and the texts say %q", i, names[i], lightCodes[max(0, i-1)].what)
		}
	}
	for chip, pin := range map[string]string{"atmega328p": "D1", "atmega2560": "D49"} {
		m := regexp.MustCompile(`The light of a board[^:]*: P\w+ \((D\d+)\)`).FindStringSubmatch(source("avr/chip_" + chip + ".h"))
		if m == nil || m[1] != pin || !strings.Contains(strings.ToLower(lightPins), strings.ToLower(pin+" of an "+chip)) {
			t.Errorf("the light of an %s is on %v, and the texts say %s", chip, m, lightPins)
		}
	}
	if !strings.Contains(source("core/lj_show.c"), "#define RETRY_MS 5000u") {
		t.Error("the program looks at a card that it refuses at other times than every 5 s")
	}
}

// TestHowItComesBack: a board that its stop input has stopped comes back at an edge of an
// input that starts a motion there, and another one by its power, as lj_show.h says.
func TestHowItComesBack(t *testing.T) {
	second := "  tower:"
	for _, x := range []struct {
		name      string
		change    func(x texts)
		has, lack []string
	}{
		{"a stop and an input", func(texts) {}, []string{"Nothing moves until input 1 of board tower; that starts its motion"}, []string{"After a stop of board"}},
		{"a stop and no input that starts anything", func(x texts) {
			x["shore.show.yaml"] = strings.Replace(x["shore.show.yaml"], "trigger: {input: 1, warm_up: 60s, lockout: 20s}, ", "every: [4s, 9s], ", 1)
		}, []string{"After a stop of board tower: release it, power off, and on again."}, []string{"Nothing moves until"}},
		{"no stop", func(x texts) {
			x["shore.rig.yaml"] = strings.Replace(x["shore.rig.yaml"], ", stop: true", "", 1)
		}, []string{"There is no stop input."}, []string{"After a stop"}},
		{"two boards", func(x texts) {
			x["shore.rig.yaml"] = strings.Replace(x["shore.rig.yaml"], second, "  gate: {rate: 50Hz, tick: 0.5us, channels: 4, inputs: {7: {stop: true}}}\n"+second, 1)
			x["shore.rig.yaml"] = strings.Replace(x["shore.rig.yaml"], "axes:\n", "axes:\n  door: {kind: switch, board: gate, channel: 0}\n", 1)
			x["shore.show.yaml"] = strings.Replace(x["shore.show.yaml"], "{input: 1,", "{board: tower, input: 1,", 1)
		}, []string{"Nothing moves until input 1 of board tower;", "After a stop of board gate: release it, power off", "No other board hears of it."}, nil},
	} {
		docs := shore()
		x.change(docs)
		c := planned(t, docs, "shore.show.yaml", Options{})
		both := append(x.has, "After 6 blinks, or a host: power off for half a minute.")
		sheet, readme := flat(c.handover()), flat(c.readme())
		for _, s := range both {
			if !strings.Contains(sheet, s) {
				t.Errorf("%s: the sheet does not say %q:\n%s", x.name, s, c.handover())
			}
		}
		if s := "After 6 blinks"; !strings.Contains(readme, s) || !strings.Contains(readme, "1 no card, or none that answers") {
			t.Errorf("%s: README.TXT does not tell of the light", x.name)
		}
		for _, s := range x.lack {
			if strings.Contains(sheet, s) {
				t.Errorf("%s: the sheet says %q", x.name, s)
			}
		}
	}
}

// TestTextsKeepTheirNames: a text under the other's name is found, alone and on the card, and
// the message names what it is.
func TestTextsKeepTheirNames(t *testing.T) {
	c, d := small(t)
	d[ReadmeName], d[HandoverName] = d[HandoverName], d[ReadmeName]
	for name, own := range map[string]string{ReadmeName: HandoverName, HandoverName: ReadmeName} {
		r, err := VerifyFile(Input{name, int64(len(d[name])), d[name]})
		want := name + ": it is the text of " + own + " under another name: give it that name back"
		if err != nil || len(r.Damages) != 1 || r.Damages[0].Error() != want {
			t.Errorf("%v, %v; want %s", r.Damages, err, want)
		}
	}
	if r := verified(t, d.inputs(c)); len(r.Damages) != 2 {
		t.Errorf("on the card: %v", r.Damages)
	}
	for text, want := range map[string]string{"": "its end is missing", "\r\n": "its end is missing", strings.Repeat("a", 500): "no closing line", "x\r\nEnd of README.TXT, CRC-32 of the lines above: 00000000\r\n": "a character was changed"} {
		if err := checkText(ReadmeName, []byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}
