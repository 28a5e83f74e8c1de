package firmware_test

import (
	"fmt"
	"os/exec"
	"strconv"
	"testing"
)

// Running hours outlast whatever happens to the power: of each write at each byte, and of
// whatever a half written byte holds. The chip's EEPROM bears 100,000 writes of a cell
// (ATmega328P data sheet, "Features": "Write/erase cycles: 10,000 flash/100,000 EEPROM").
func TestRunningHours(t *testing.T) {
	t.Parallel()
	const endurance = 100_000
	tool(t, "cc")
	sources := append(core(t), "src/host/lj_hours_host.c")
	fast, careful := compile(t, "cc", shore(), sources, "-O2"), compile(t, "cc", shore(), sources, sanitized...)
	run := func(path string, hours, worn int) (got, cuts, wrong, ahead, behind, most int) {
		t.Helper()
		out, err := exec.Command(path, strconv.Itoa(hours), strconv.Itoa(worn)).CombinedOutput()
		if err == nil {
			_, err = fmt.Sscanf(string(out), "hours %d cuts %d wrong %d ahead %d behind %d most %d", &got, &cuts, &wrong, &ahead, &behind, &most)
		}
		if err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		return
	}
	const hours = 100_000 // 11 years
	got, cuts, wrong, ahead, behind, most := run(fast, hours, -1)
	t.Logf("%d hours, power lost %d times, at most %d writes of a cell", got, cuts, most)
	if got != hours || cuts < hours || wrong+ahead+behind > 0 || most > endurance/10 {
		t.Errorf("%d hours, %d cuts, %d wrong, %d ahead, %d behind, %d writes", got, cuts, wrong, ahead, behind, most)
	}
	for worn := 0; worn < 64; worn += 5 { // a cell that is stuck costs the hour that stands there, and no other
		if got, _, _, ahead, behind, _ := run(careful, 200, worn); got != 200 || ahead > 0 || behind > 200/16+1 {
			t.Errorf("cell %d is worn: %d hours, %d ahead, %d behind", worn, got, ahead, behind)
		}
	}
}
