//go:build slow && unix

package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An attempt is the body of a script that tries to get at more than it may have. It ends with code 2 where the script is
// refused or stopped or its own error ends it, and with 0 where it was let run and found nothing.
type attempt struct {
	imports string // beside fmt and bench, parted by spaces
	body    string
	code    int
	says    string // on standard error, or on standard output where the code is 0
}

const reachesNoFile = "a script reaches no file that its command line does not name"

var attempts = map[string]attempt{
	// What it may use.
	"memory by slices":         {"", `var all [][]byte; for { all = append(all, make([]byte, 1<<20)) }`, 2, "the script was stopped: it used more than 1024 MB of memory"},
	"memory by a map":          {"", `all := map[int][]int{}; for i := 0; ; i++ { all[i] = make([]int, 1<<14) }`, 2, "the script was stopped: it used more than 1024 MB of memory"},
	"memory by text":           {"", `text := "x"; for { text += text }`, 2, "memory"},
	"memory by one slice":      {"", `n := 1 << 40; fmt.Println(len(make([]byte, n)))`, 2, "more than the limit"},
	"memory by one text":       {"strings", `fmt.Println(len(strings.Repeat("abc", 1<<40)))`, 2, "more than the limit"},
	"memory by a channel":      {"", `n := 1 << 40; c := make(chan [1024]byte, n); fmt.Println(cap(c))`, 2, "more than the limit"},
	"memory by an array":       {"", `var all [1 << 40]byte; all[0] = 1`, 2, "an array of more than"},
	"memory by a width":        {"", `fmt.Println(len(fmt.Sprintf("%*d", 1<<40, 1)))`, 0, "13"},
	"time in a loop":           {"", `for {}`, 2, "the script runs too long: more than 1s"},
	"time in a wait":           {"time", `time.Sleep(24 * time.Hour)`, 2, "the script runs too long: more than 1s"},
	"time in a lock":           {"sync", `var m sync.Mutex; m.Lock(); m.Lock()`, 2, "the script"},
	"time in a channel":        {"", `<-make(chan int)`, 2, "the script"},
	"time in one call":         {"regexp strings", `fmt.Println(regexp.MustCompile("(a|a)*b").MatchString(strings.Repeat("a", 1<<28)))`, 2, "the script"},
	"time in a sort":           {"slices", `xs := make([]int, 1<<26); for { slices.SortFunc(xs, func(a, b int) int { return 1 }) }`, 2, "the script runs too long"},
	"time in a recovered loop": {"", `for { func() { defer func() { recover() }(); for {} }() }`, 2, "the script runs too long"},
	"time in an iterator":      {"", `for range func(yield func(int) bool) { for yield(1) {} } {}`, 2, "the script runs too long"},
	"time in a context":        {"context", `<-context.Background().Done()`, 2, "the script"},
	"goroutines without end":   {"", `for { go func() { select {} }() }`, 2, "more than 10000 goroutines at a time"},
	"goroutines that breed":    {"", `var f func(); f = func() { go f(); go f(); select {} }; f()`, 2, "more than 10000 goroutines at a time"},
	"goroutines left running":  {"", `for range 10 { go func() { for {} }() }; fmt.Println("left")`, 0, "left"},
	"goroutine that panics":    {"time", `go func() { panic("alone") }(); time.Sleep(time.Hour)`, 2, "panic: alone (in a goroutine)"},
	"two in one map":           {"time", `m := map[int]int{}; for range 4 { go func() { for i := 0; ; i++ { m[i%8]++ } }() }; time.Sleep(time.Hour)`, 2, "two of its goroutines used a map at the same time"},
	"output without end":       {"", `for { fmt.Println("flood") }`, 2, "the script runs too long: more than 1s"},
	"output in one line":       {"", `for { fmt.Print("flood") }`, 2, "the script runs too long: more than 1s"},
	"output of one text":       {"strings", `fmt.Print(strings.Repeat("flood", 1<<24))`, 2, "the script"},
	"recursion":                {"", `var f func(int) int; f = func(n int) int { return f(n+1) + 1 }; f(0)`, 2, "calls within calls took more than"},
	"recursion by defer":       {"", `var f func(); f = func() { defer f() }; f()`, 2, "calls within calls took more than"},
	"recursion by panics":      {"", `var f func(); f = func() { defer f(); panic("again") }; f()`, 2, "more than 250 panics within panics"},
	"recursion by String":      {"", `fmt.Println(loop{1})`, 2, "calls within calls took more than"},
	"recursion by a value":     {"", `type node struct{ Next *node }; n := &node{}; n.Next = n; fmt.Printf("%+v\n", n != nil)`, 0, "true"},
	"exit by a panic":          {"", `panic("mine")`, 2, "panic: mine"},
	"error that loops":         {"", `return endless{}`, 2, "the script runs too long"},
	"exit by its error":        {"errors", `return errors.New("mine")`, 2, "mine"},

	// Files, by every name that takes one.
	"trial of passwords":     {"", `_, err := bench.LoadTrial("/etc/passwd"); return err`, 2, reachesNoFile},
	"trial of environment":   {"", `_, err := bench.LoadTrial("/proc/self/environ"); return err`, 2, reachesNoFile},
	"trial above":            {"", `_, err := bench.LoadTrial("../creds.env"); return err`, 2, reachesNoFile},
	"trial beside":           {"", `_, err := bench.LoadTrial("creds.env"); return err`, 2, "creds.env"},
	"trial by its full name": {"", `_, err := bench.LoadTrial("SECRETFILE"); return err`, 2, reachesNoFile},
	"trial by zero byte":     {"", `_, err := bench.LoadTrial("harbour\x00/../creds.env"); return err`, 2, reachesNoFile},
	"trial by a URL":         {"", `_, err := bench.LoadTrial("file:///etc/passwd"); return err`, 2, reachesNoFile},
	"trial by backslashes":   {"", `_, err := bench.LoadTrial("..\\creds.env"); return err`, 2, ""},
	"boat of passwords":      {"", `_, err := bench.Load("/etc/passwd"); return err`, 2, reachesNoFile},
	"boat of environment":    {"", `_, err := bench.Load("/proc/self/environ"); return err`, 2, reachesNoFile},
	"boat above":             {"", `_, err := bench.Load("petrel/../../creds.env"); return err`, 2, reachesNoFile},
	"boat beside":            {"", `_, err := bench.Load("creds.env"); return err`, 2, "creds.env"},
	"boat by dots":           {"", `_, err := bench.Load(".."); return err`, 2, ".."},
	"boat at home":           {"", `_, err := bench.Load("~/creds.env"); return err`, 2, reachesNoFile},
	"trial tried":            {"", `_, err := s.TryIn("/etc/passwd"); return err`, 2, reachesNoFile},
	"version of a folder":    {"", `_, err := s.Profile("/etc", "passwd"); return err`, 2, "versions are of boats in the book"},
	"version above":          {"", `_, err := s.Profile("..", "creds.env"); return err`, 2, ""},
	"version by its path":    {"", `_, err := s.Profile("petrel", "../../creds.env"); return err`, 2, ""},
	"setting of a file":      {"", `_, err := s.With("name", "/etc/passwd"); return err`, 2, ""},
	"another boat's file":    {"", `s.Args = []string{"SECRETFILE"}; _, err := bench.LoadTrial(s.Args[0]); return err`, 2, reachesNoFile},
	"time zone":              {"time", `_, err := time.LoadLocation("../../../etc/passwd"); return err`, 2, "time.LoadLocation is not there for scripts"},
	"files by os":            {"os", `_, err := os.ReadFile("/etc/passwd"); return err`, 2, `scripts can't import "os"`},
	"files by their system":  {"io/fs", `_ = fs.ValidPath("x"); return nil`, 2, `scripts can't import "io/fs"`},

	// Environment, network, processes, what goes behind the language.
	"environment":       {"os", `fmt.Println(os.Environ())`, 2, `scripts can't import "os"`},
	"environment asked": {"syscall", `fmt.Println(syscall.Getenv("SECRET"))`, 2, `scripts can't import "syscall"`},
	"network":           {"net", `_, err := net.Dial("tcp", "127.0.0.1:1"); return err`, 2, `scripts can't import "net"`},
	"network by HTTP":   {"net/http", `_, err := http.Get("http://127.0.0.1:1"); return err`, 2, `scripts can't import "net/http"`},
	"process":           {"os/exec", `return exec.Command("touch", "escaped").Run()`, 2, `scripts can't import "os/exec"`},
	"signal":            {"os/signal", `signal.Ignore()`, 2, `scripts can't import "os/signal"`},
	"unsafe":            {"unsafe", `x := 1; fmt.Println(*(*byte)(unsafe.Pointer(&x)))`, 2, `scripts can't import "unsafe"`},
	"reflect":           {"reflect", `fmt.Println(reflect.ValueOf(s).Elem().Field(0))`, 2, `scripts can't import "reflect"`},
	"runtime":           {"runtime", `runtime.Goexit()`, 2, `scripts can't import "runtime"`},
	"plugin":            {"plugin", `_, err := plugin.Open("x"); return err`, 2, `scripts can't import "plugin"`},
	"the line":          {"quaybench/bench/link", `_ = link.Open`, 2, `scripts can't import "quaybench/bench/link"`},
	"the interpreter":   {"github.com/traefik/yaegi/interp", `_ = interp.Self`, 2, `scripts can't import "github.com/traefik/yaegi/interp"`},
	"the host":          {"", `qb_host.Panic(1)`, 2, "names that begin with qb_ are kept for the tool"},

	// What a terminal obeys is shown, not sent.
	"escape in output": {"", `fmt.Println("\x1b[2J\x07\u009b2J")`, 0, `\x1b[2J`},
	"escape in errors": {"errors", `return errors.New("\x1b]0;clear\x07")`, 2, `\x1b]0;clear`},
	"escape in panics": {"", `panic("\x1b[2J")`, 2, `\x1b[2J`},
	"escape in a name": {"", `_, err := s.With("\x1b[2J", "1 A"); return err`, 2, `\x1b[2J`},
	"escape in a boat": {"", `_, err := bench.Load("\x1b[2J"); return err`, 2, `\x1b[2J`},
	"escape in a line": {"", `fmt.Print("clear\roverwritten\b\b")`, 0, `\x0d`},
}

// Every attempt ends soon, with its code and one clear sentence, and nothing of what it was after.
func TestScriptsAreContained(t *testing.T) {
	require.GreaterOrEqual(t, len(attempts), 60)
	top := t.TempDir()
	secret := filepath.Join(top, "creds.env")
	require.NoError(t, os.WriteFile(secret, []byte("PASSWORD=correct-horse\n"), 0o600))
	dir := filepath.Join(top, "work")
	require.NoError(t, os.Mkdir(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "creds.env"), []byte("PASSWORD=correct-horse\n"), 0o600))
	for name, a := range attempts {
		t.Run(name, func(t *testing.T) {
			file := strings.ReplaceAll(name, " ", "_") + ".go"
			var source strings.Builder
			fmt.Fprint(&source, "package main\n\nimport (\n\t\"fmt\"\n\t\"quaybench/bench\"\n")
			for _, path := range strings.Fields(a.imports) {
				fmt.Fprintf(&source, "\t%q\n", path)
			}
			fmt.Fprint(&source, ")\n\ntype loop struct{ n int }\n\nfunc (l loop) String() string { return fmt.Sprint(l) }\n\ntype endless struct{}\n\nfunc (endless) Error() string { for {} }\n\n")
			fmt.Fprint(&source, "func main() { bench.RunScript(try) }\n\nfunc try(s *bench.Script) (failed error) {\n\tfmt.Print()\n", strings.ReplaceAll(a.body, "SECRETFILE", secret), "\n")
			if !strings.Contains(a.body, "return e") && !strings.HasPrefix(a.body, "for {") && !strings.HasPrefix(a.body, "panic(") {
				fmt.Fprint(&source, "\treturn nil\n")
			}
			fmt.Fprint(&source, "}\n")
			require.NoError(t, os.WriteFile(filepath.Join(dir, file), []byte(source.String()), 0o644))
			longest := "30 s"
			if strings.HasPrefix(name, "time in") || strings.HasPrefix(name, "output") || name == "error that loops" {
				longest = "1 s"
			}
			code, out, said := contained(t, dir, nil, "run", file, "petrel", "--longest", longest)
			assert.Equal(t, a.code, code, "%s\n%s", out, said)
			if a.code == 0 {
				assert.Contains(t, out, a.says)
				assert.Empty(t, said)
			} else {
				assert.Contains(t, said, a.says)
				assert.True(t, strings.HasPrefix(said, "quaybench: "), said)
				assert.LessOrEqual(t, strings.Count(said, "\n"), 4, said)
			}
		})
	}
	_, err := os.Stat(filepath.Join(dir, "escaped"))
	assert.ErrorIs(t, err, os.ErrNotExist, "an attempt left a file")
}

// contained runs the program where there is something to find, and checks that nothing of it is in what it prints. during is
// called once it has begun to print.
func contained(t *testing.T, dir string, during func(pid int), args ...string) (code int, out, said string) {
	t.Helper()
	cmd := command(t, args...)
	cmd.Dir = dir
	cmd.Env = append(cmd.Env, "XDG_DATA_HOME="+filepath.Join(dir, "data"), "SECRET=correct-horse")
	var stdout, stderr bytes.Buffer
	begun := make(chan bool, 1)
	cmd.Stdout, cmd.Stderr = writerFunc(func(p []byte) (int, error) {
		select {
		case begun <- true:
		default:
		}
		if stdout.Len() < 1<<20 { // the rest of a flood is not looked at
			stdout.Write(p)
		}
		return len(p), nil
	}), &stderr
	require.NoError(t, cmd.Start())
	late := time.AfterFunc(2*time.Minute, func() { _ = cmd.Process.Kill() })
	defer late.Stop()
	if during != nil {
		<-begun
		during(cmd.Process.Pid)
	}
	_ = cmd.Wait()
	out, said = stdout.String(), stderr.String()
	for _, trace := range []string{"correct-horse", "root:", "\x1b", "\x07", "\u009b", "goroutine ", "a fault in the tool itself"} {
		assert.NotContains(t, out+said, trace)
	}
	return cmd.ProcessState.ExitCode(), out, said
}

type writerFunc func(p []byte) (int, error)

func (f writerFunc) Write(p []byte) (int, error) { return f(p) }

// What is no script that somebody wrote is not opened: to open a pipe waits, and a device may do anything.
func TestFilesThatAreNoScripts(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, syscall.Mkfifo(filepath.Join(dir, "pipe.go"), 0o600))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder.go"), 0o755))
	require.NoError(t, os.Mkdir(filepath.Join(dir, "piped"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "piped", "main.go"), []byte("package main\n"), 0o644))
	require.NoError(t, syscall.Mkfifo(filepath.Join(dir, "piped", "more.go"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "huge.go"), bytes.Repeat([]byte("//\n"), 1<<20), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "zero.go"), make([]byte, 1000), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "creds.go"), []byte("PASSWORD=correct-horse\n"), 0o644))
	require.NoError(t, os.Symlink("/dev/zero", filepath.Join(dir, "linked.go")))
	for name, says := range map[string]string{
		"pipe.go":         "pipe.go: it is not a plain file",
		"/dev/zero":       "/dev/zero: it is not a plain file",
		"linked.go":       "linked.go: it is not a plain file",
		"folder.go":       "main.go",
		"piped":           "more.go: it is not a plain file",
		"huge.go":         "it has more than the 1048576 bytes",
		"zero.go":         "zero.go:1:1: syntax error",
		"creds.go":        "creds.go:1:1: syntax error",
		"no\x1b[2Jne.go":  "no script no\\x1b[2Jne.go",
		"/proc/self/mem":  "input/output error", // a plain file, by its looks
		"missing/main.go": "no script missing/main.go",
	} {
		t.Run(fmt.Sprintf("%q", name), func(t *testing.T) {
			code, out, said := contained(t, dir, nil, "run", name, "petrel")
			assert.Equal(t, map[bool]int{true: 1, false: 2}[says == "input/output error"], code, said) // the fault of no input
			assert.Empty(t, out)
			assert.Contains(t, said, says)
			assert.True(t, strings.HasPrefix(said, "quaybench: "), said)
		})
	}
}

// SIGTERM ends a run at once, whatever the script does.
func TestTerminatedScriptEnds(t *testing.T) {
	dir := t.TempDir()
	for name, body := range map[string]string{
		"loop": `for {}`,
		"wait": `time.Sleep(24 * time.Hour)`,
	} {
		t.Run(name, func(t *testing.T) {
			source := "package main\n\nimport (\n\t\"fmt\"\n\t\"quaybench/bench\"\n\t\"time\"\n)\n\nfunc main() { bench.RunScript(try) }\n\nfunc try(*bench.Script) error {\n\tfmt.Println(\"begun\")\n\ttime.Sleep(0)\n\t" + body + "\n\treturn nil\n}\n"
			require.NoError(t, os.WriteFile(filepath.Join(dir, name+".go"), []byte(source), 0o644))
			code, out, said := contained(t, dir, func(pid int) { _ = syscall.Kill(pid, syscall.SIGTERM) }, "run", name+".go", "petrel")
			assert.Equal(t, "begun\n", out)
			assert.NotZero(t, code)
			assert.Contains(t, said, "stopped")
		})
	}
}
