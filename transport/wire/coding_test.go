package wire_test

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"limberjack/transport/wire"
)

func load(t *testing.T, path string, into any) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err == nil {
		err = json.Unmarshal(text, into)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// crcMessage gives the bytes that a message of testdata/crc.json stands for.
func crcMessage(t *testing.T, name string) []byte {
	switch {
	case name == "empty":
		return nil
	case name == "00..FF":
		all := make([]byte, 256)
		for i := range all {
			all[i] = byte(i)
		}
		return all
	case name == "32x00":
		return make([]byte, 32)
	case strings.HasPrefix(name, "'"):
		return []byte(strings.Trim(name, "'"))
	}
	return unhex(t, name)
}

// The check values are those of the RevEng catalogue, see the file.
func TestChecksumIsTheCataloguesIBM3740(t *testing.T) {
	var table struct{ Values map[string]string }
	load(t, "testdata/crc.json", &table)
	if len(table.Values) < 8 {
		t.Fatalf("only %d values", len(table.Values))
	}
	for name, text := range table.Values {
		want, err := strconv.ParseUint(text, 0, 16)
		if err != nil {
			t.Fatal(err)
		}
		if got := wire.Checksum(crcMessage(t, name)); got != uint16(want) {
			t.Errorf("%s: 0x%04x, the catalogue's entry gives 0x%04x", name, got, want)
		}
	}
}

// A CRC of 16 bits finds every burst of 16 bits; this polynomial has the factor
// x+1, so that it finds any odd number of wrong bits, and it finds two wrong bits up
// to 32767 bits apart (Peterson and Brown, Cyclic Codes for Error Detection, 1961;
// from memory).
func TestChecksumFindsWrongBits(t *testing.T) {
	packet := mustPacket(t, &wire.Status{State: wire.StatePlaying, Time: 0xfffffff0, Queued: 40})
	bits := 8 * len(packet)
	flip := func(bits ...int) {
		for _, b := range bits {
			packet[b/8] ^= 1 << (b % 8)
		}
	}
	refuse := func(bits ...int) {
		flip(bits...)
		if _, err := wire.ParsePacket(packet); err == nil {
			t.Errorf("wrong bits %v are not found", bits)
		}
		flip(bits...)
	}
	for a := range bits {
		refuse(a)
		for b := range a {
			refuse(a, b)
		}
	}
	r := rand.New(rand.NewPCG(4, 16))
	for range 20000 {
		p := r.Perm(bits)
		refuse(p[0], p[1], p[2])
		burst, at := 1+r.Uint32N(0xffff), r.IntN(bits-16)
		var wrong []int
		for i := range 16 {
			if burst>>i&1 != 0 {
				// Bits leave from the most significant of a byte.
				wrong = append(wrong, (at+i)/8*8+7-(at+i)%8)
			}
		}
		refuse(wrong...)
	}
}

type cobsTable struct {
	Vectors []struct {
		Name    string
		Raw     string `json:"raw_hex"`
		Encoded string `json:"encoded_hex"`
		Long    string `json:"long_hex"`
	}
	Reject []struct{ Hex, Why string } `json:"must_reject"`
}

// The rows are those of the public table of examples and of the paper, see the file.
func TestCOBSIsThatOfCheshireAndBaker(t *testing.T) {
	var table cobsTable
	load(t, "testdata/cobs.json", &table)
	long := 0
	for _, v := range table.Vectors {
		raw, want := unhex(t, v.Raw), unhex(t, v.Encoded)
		if got := wire.AppendCOBS([]byte("before"), raw); !bytes.Equal(got[6:], want) || string(got[:6]) != "before" {
			t.Errorf("%s: encoded as %x, want %x", v.Name, got, want)
		}
		forms := [][]byte{want}
		if v.Long != "" {
			forms = append(forms, unhex(t, v.Long))
			long++
		}
		for _, form := range forms {
			n, err := wire.DecodeCOBS(form)
			if err != nil || !bytes.Equal(form[:n], raw) {
				t.Errorf("%s: decoded as %x, %v", v.Name, form[:n], err)
			}
		}
	}
	if len(table.Vectors) < 19 || long == 0 {
		t.Errorf("%d rows, %d with a long form", len(table.Vectors), long)
	}
}

func TestCOBSRefusesWhatIsNone(t *testing.T) {
	var table cobsTable
	load(t, "testdata/cobs.json", &table)
	if len(table.Reject) != 4 {
		t.Fatalf("%d rows", len(table.Reject))
	}
	full := "ff" + strings.Repeat("11", 253)
	// Our own rows: nothing is wrong with these but the zero, or nothing is there.
	own := []struct{ Hex, Why string }{
		{"", "empty"}, {"031100", "zero inside a block"}, {"03001101", "zero inside a block"}, {full + "00", "zero inside a full block"},
	}
	for _, v := range append(table.Reject, own...) {
		n, err := wire.DecodeCOBS(unhex(t, v.Hex))
		var fault *wire.Error
		if !errors.As(err, &fault) || fault.Fault != wire.FaultFraming || n != 0 {
			t.Errorf("%s (%s): %d bytes, %v", v.Hex, v.Why, n, err)
		}
	}
}

// The paper's bound: at most one byte for each begun 254.
func TestCOBSGivesBackAnyBytesWithinItsBound(t *testing.T) {
	r := rand.New(rand.NewPCG(1999, 7))
	for range 5000 {
		raw := make([]byte, r.IntN(800))
		zeros := r.IntN(300)
		for i := range raw {
			if r.IntN(300) >= zeros {
				raw[i] = byte(r.Uint32())
			}
		}
		code := wire.AppendCOBS(nil, raw)
		if bytes.IndexByte(code, 0) >= 0 || len(code) > len(raw)+max(1, (len(raw)+253)/254) {
			t.Fatalf("%x becomes %x", raw, code)
		}
		n, err := wire.DecodeCOBS(code)
		if err != nil || !bytes.Equal(code[:n], raw) {
			t.Fatalf("%x comes back as %x, %v", raw, code[:n], err)
		}
	}
}

func TestFaultsOfFramingSayWhere(t *testing.T) {
	for _, c := range []struct{ hex, want string }{
		{"051122", "byte 0: no whole packet: 3 bytes are there, 5 belong to it"},
		{"0211051122", "byte 2: no whole packet: 5 bytes are there, 7 belong to it"},
		{"041122003344", "byte 3: a zero inside a packet"},
		{"02110033", "byte 2: a zero inside a packet"},
	} {
		if _, err := wire.DecodeCOBS(unhex(t, c.hex)); err == nil || err.Error() != c.want {
			t.Errorf("%s: %v, want %s", c.hex, err, c.want)
		}
	}
}
