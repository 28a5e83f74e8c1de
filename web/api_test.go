package web

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"limberjack/interp/revise"
)

// API.md tells of every address and every problem, and of no others, with the limits
// that the program has.
func TestAPIPage(t *testing.T) {
	text, err := os.ReadFile("API.md")
	if err != nil {
		t.Fatal(err)
	}
	told := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([A-Z]+ [^`]*)` \\|").FindAllStringSubmatch(string(text), -1) {
		told[m[1]] = true
	}
	for _, r := range new(Server).routes() {
		pattern := r.method + " " + strings.TrimSuffix(r.pattern, "{$}")
		if !told[pattern] {
			t.Errorf("API.md does not tell of %s", pattern)
		}
		delete(told, pattern)
	}
	for pattern := range told {
		t.Errorf("API.md tells of %s, which is not there", pattern)
	}
	problems := map[string]string{}
	for _, m := range regexp.MustCompile("(?m)^\\| `/problems/([a-z-]*)` \\| ([0-9]*) \\|").FindAllStringSubmatch(string(text), -1) {
		problems[m[1]] = m[2]
	}
	for _, f := range faults {
		if problems[f.name] != fmt.Sprint(f.status) {
			t.Errorf("API.md has %q for the problem %s, which is %d", problems[f.name], f.name, f.status)
		}
		delete(problems, f.name)
	}
	for name := range problems {
		t.Errorf("API.md tells of the problem %s, which is not there", name)
	}
	for _, limit := range []string{
		fmt.Sprintf("more wait | %d |", mostConnections), fmt.Sprintf("sockets included | %d |", mostRequests), fmt.Sprintf("| sockets | %d |", mostSockets),
		fmt.Sprintf("and for a request | %.0f s, %.0f s |", headerPatience.Seconds(), readPatience.Seconds()),
		fmt.Sprintf("64 KiB of an answer | %.0f s |", writePatience.Seconds()), fmt.Sprintf("may idle | %.0f s |", idlePatience.Seconds()),
		fmt.Sprintf("a document | %d MiB", maxDocument>>20), fmt.Sprintf("motions of a show | %d |", mostMotions),
		fmt.Sprintf("of a show | %d million, %d million |", mostParts/1_000_000, mostAllParts/1_000_000), fmt.Sprintf("drive model | %.0f min |", buildPatience.Minutes()),
		fmt.Sprintf("worked out again | %d MiB |", curveBudget>>20), fmt.Sprintf("query are over %d bytes", mostAddress), fmt.Sprintf("body is over %d bytes", mostBody),
		fmt.Sprintf("over %d bytes with 1009", mostMessage), fmt.Sprintf("Headers over %d bytes", mostHeader), fmt.Sprintf("float64; %.0f at most", mostCurveRate),
		fmt.Sprintf("values would be over %.0f", float64(mostCurveValues)), fmt.Sprintf("would be over %d", mostBuckets), fmt.Sprintf("More than %d channels", mostKept),
		fmt.Sprintf("within %.0f s is let go", socketWrite.Seconds()), fmt.Sprintf("this computer's own apart; more are closed | %d |", mostOfOne), fmt.Sprintf("worked out; others are read again | %d MiB |", mostCached>>20),
		fmt.Sprintf("one after another | %d MiB |", heavyDocument>>20), fmt.Sprintf("waveforms that are kept | %d |", mostWaves),
		fmt.Sprintf("429 | %d wrong tokens came from an address within %.0f s: no token of it counts for %.0f s", mostGuesses, guessSpan.Seconds(), guessSpan.Seconds()),
		fmt.Sprintf("After %d within %.0f s even the right one waits %.0f s", mostGuesses, guessSpan.Seconds(), guessSpan.Seconds()), fmt.Sprintf("%d addresses are remembered", mostBraked),
		fmt.Sprintf("stays unasked for | %d, %.0f min |", mostProposals, proposalPatience.Minutes()), fmt.Sprintf("of a proposal | %d, %d |", mostSamples, mostLines),
		fmt.Sprintf("take may become | %d |", revise.MostKeys), fmt.Sprintf("needs more than %d keys is refused", revise.MostKeys),
		fmt.Sprintf("of a POST over %d MiB, of a recorded take over %d MiB", mostWrite>>20, mostTake>>20),
		fmt.Sprintf("%d to %d samples (%d MiB)", leastSamples, mostSamples, mostTake>>20),
		fmt.Sprintf("ping every %.0f s", socketPing.Seconds()), fmt.Sprintf("waited for, %.0f s at most", firstPatience.Seconds()),
	} {
		if !strings.Contains(strings.ReplaceAll(string(text), "\n", " "), limit) {
			t.Errorf("API.md does not say %q", limit)
		}
	}
}
