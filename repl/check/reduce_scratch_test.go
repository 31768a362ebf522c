package check_test

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

var reduceFile = flag.String("reduce", "", "")
var reduceText = flag.String("text", "", "error text that must stay; empty: output differs from go")

func goOutput(t *testing.T, text string) string {
	dir := t.TempDir()
	os.WriteFile(filepath.Join(dir, "main.go"), []byte(text), 0o644)
	os.WriteFile(filepath.Join(dir, "go.mod"), []byte("module x\ngo 1.26\n"), 0o644)
	c := exec.Command("go", "run", ".")
	c.Dir = dir
	out, err := c.Output()
	s := string(out)
	if err != nil {
		s += "ended by a panic\n"
	}
	return s
}

func TestReduce(t *testing.T) {
	if *reduceFile == "" {
		t.Skip("")
	}
	b, _ := os.ReadFile(*reduceFile)
	fails := func(text string) bool {
		if vet(text) != nil {
			return false
		}
		got, err := script("r.go", text)
		if *reduceText != "" {
			return err != nil && strings.Contains(err.Error(), *reduceText)
		}
		if err != nil && !strings.Contains(err.Error(), "panic") {
			return false
		}
		return goOutput(t, text) != got
	}
	lines := strings.Split(string(b), "\n")
	if !fails(string(b)) {
		t.Fatal("does not fail")
	}
	for n := len(lines) / 2; n >= 1; {
		removed := false
		for i := 0; i+n <= len(lines); {
			try := append(append([]string{}, lines[:i]...), lines[i+n:]...)
			if fails(strings.Join(try, "\n")) {
				lines = try
				removed = true
			} else {
				i++
			}
		}
		// blocks: a line that opens and the matching close
		for i := 0; i < len(lines); i++ {
			if !strings.HasSuffix(lines[i], "{") {
				continue
			}
			ind := len(lines[i]) - len(strings.TrimLeft(lines[i], "\t"))
			for j := i + 1; j < len(lines); j++ {
				if len(lines[j])-len(strings.TrimLeft(lines[j], "\t")) == ind && strings.HasPrefix(strings.TrimSpace(lines[j]), "}") {
					try := append(append([]string{}, lines[:i]...), lines[j+1:]...)
					try2 := append(append(append([]string{}, lines[:i]...), lines[i+1:j]...), lines[j+1:]...)
					if fails(strings.Join(try, "\n")) {
						lines = try
						removed = true
					} else if fails(strings.Join(try2, "\n")) {
						lines = try2
						removed = true
					}
					break
				}
			}
		}
		if !removed || n > 1 {
			n /= 2
		}
	}
	fmt.Println(strings.Join(lines, "\n"))
	got, err := script("r.go", strings.Join(lines, "\n"))
	fmt.Println("--- got", got, err)
	fmt.Println("--- go", goOutput(t, strings.Join(lines, "\n")))
}
