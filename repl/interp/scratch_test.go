package interp

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
)

func TestScratch(t *testing.T) {
	files, _ := filepath.Glob("../check/testdata/features/*.txtar")
	if f := os.Getenv("F"); f != "" {
		files = strings.Split(f, ",")
	}
	want := map[string]string{}
	if b, err := os.ReadFile("/tmp/rx/feat/want.txtar"); err == nil {
		for _, f := range txtar.Parse(b).Files {
			want[f.Name] = string(f.Data)
		}
	}
	for _, f := range files {
		a, _ := txtar.ParseFile(f)
		for _, x := range a.Files {
			if o := os.Getenv("ONLY"); o != "" && !strings.Contains(x.Name, o) {
				continue
			}
			name := filepath.Base(f) + ":" + x.Name
			var out bytes.Buffer
			ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
			if os.Getenv("SHOW") != "" {
				if st, err := check.Script(lib(), check.Source{Name: x.Name, Text: string(x.Data)}); err == nil {
					fmt.Println(st.Text)
				}
			}
			err := RunScript(ctx, Config{Stdout: &out, Grace: time.Millisecond}, check.Source{Name: x.Name, Text: string(x.Data)})
			cancel()
			got := out.String()
			switch {
			case err != nil:
				fmt.Println("ERR ", name, strings.ReplaceAll(err.Error(), "\n", " | "))
			case got == strings.TrimSuffix(want[name], "$END"):
				fmt.Println("same", name)
			default:
				fmt.Println("DIFF", name)
				fmt.Printf("go:\n%syaegi:\n%s", want[name], got)
			}
		}
	}
}
