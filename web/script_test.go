package web_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// TestScripts runs the unit tests of the page's modules with node's own runner.
func TestScripts(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		needTool(t, "node", "Node.js 20 or later")
	}
	files, err := filepath.Glob("tests/*.test.js")
	if err != nil || len(files) == 0 {
		t.Fatalf("there are no unit tests of the page (%v)", err)
	}
	if out, err := exec.Command(node, append([]string{"--test"}, files...)...).CombinedOutput(); err != nil {
		t.Errorf("node --test: %v\n%s", err, out)
	}
}

// TestTypes has the types in the page's comments checked by the TypeScript compiler.
func TestTypes(t *testing.T) {
	node, err := exec.LookPath("node")
	tsc := os.Getenv("LIMBERJACK_TSC")
	if _, missing := os.Stat(tsc); err != nil || missing != nil {
		needTool(t, "the TypeScript compiler", "LIMBERJACK_TSC names bin/tsc of the npm package typescript, and node runs it; @types/node lies beside it")
	}
	roots := filepath.Join(filepath.Dir(tsc), "..", "..", "@types")
	if out, err := exec.Command(node, tsc, "--project", "tests/jsconfig.json", "--typeRoots", roots).CombinedOutput(); err != nil {
		t.Errorf("tsc: %v\n%s", err, out)
	}
}
