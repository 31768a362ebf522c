//go:build slow

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestBashCompletion asks a real shell what it offers, by the script that `quaybench completion bash` prints.
func TestBashCompletion(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Skip("NOT TESTED ON COMPLETION: no bash here (apt-get install bash)")
	}
	program, err := exec.LookPath("quaybench")
	require.NoError(t, err)
	ask := filepath.Join(t.TempDir(), "ask")
	// A bare shell: nothing of the package bash-completion is there. The second argument is what the shell is about to replace.
	require.NoError(t, os.WriteFile(ask, []byte(`
source <(quaybench completion bash)
COMP_LINE=$1; COMP_POINT=${#COMP_LINE}; COMP_TYPE=9
compopt() { :; }
__start_quaybench quaybench "$2"
printf '%s\n' "${COMPREPLY[@]}"
`), 0o644))
	for _, c := range []struct{ words, replaced, want string }{
		{"quaybench che", "che", "check"},
		{"quaybench try pet", "pet", "petrel"},
		{"quaybench check bra", "bra", "bracken"},
		{"quaybench try petrel --trial two", "two", "two-hour-outing"},
		{"quaybench try petrel --trial=two", "two", "two-hour-outing"},
		{"quaybench try petrel --set limits.motor_", "limits.motor_", "limits.motor_current="},
		{"quaybench settings low_voltage.cut_off_", "low_voltage.cut_off_", "low_voltage.cut_off_delay"},
		{"quaybench trials lock", "lock", "locked-shaft"},
		{"quaybench profile show petrel sum", "sum", "summer"},
		{"quaybench highest petrel cable[motor\\ cable].sect", "cable[motor\\ cable].sect", "cable[motor\\ cable].section"},
		{"quaybench highest petrel \"cable[motor cable].sect", "cable[motor cable].sect", "cable[motor cable].section"},
		{"quaybench try petrel --set cable[motor\\ cable].sect", "cable[motor\\ cable].sect", "cable[motor\\ cable].section="},
		{"quaybench try petrel --set 'joint[battery lug].res", "joint[battery lug].res", "joint[battery lug].resistance="},
		{"quaybench highest petrel propeller.pi", "propeller.pi", "propeller.pitch"},
		{"quaybench choose petrel cable --part mot", "mot", "motor\\ cable"},
		{"quaybench try petrel --proposal \"gentle: limits.motor_", "gentle: limits.motor_", "gentle: limits.motor_current="},
		{"quaybench try petrel --proposal \"thick: limits.motor_current=170 A, cable[motor cable].sect", "thick: limits.motor_current=170 A, cable[motor cable].sect", "thick: limits.motor_current=170 A, cable[motor cable].section="},
		{"quaybench try petrel --proposal 'hot: ai", "hot: ai", "hot: air="},
		{"quaybench try petrel --proposal hot:\\ ai", "hot:\\ ai", "hot:\\ air="},
		{"quaybench propose petrel --want \"rise", "rise", "rise-time <="},
	} {
		t.Run(c.words, func(t *testing.T) {
			cmd := exec.Command(bash, "--norc", ask, c.words, c.replaced)
			cmd.Env = []string{"PATH=" + filepath.Dir(program) + string(os.PathListSeparator) + os.Getenv("PATH"), "HOME=" + t.TempDir()}
			out, err := cmd.CombinedOutput()
			require.NoError(t, err, string(out))
			assert.True(t, strings.HasPrefix(string(out), c.want), string(out))
		})
	}
}
