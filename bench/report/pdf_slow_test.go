//go:build slow

package report

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestPDFIsRead: a reader of its own (poppler) opens the PDF of every kind of report, with the same words as the page.
func TestPDFIsRead(t *testing.T) {
	dir := t.TempDir()
	pdftotext, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Skip("NOT TESTED ON THE WORDS OF A PDF: no pdftotext here: apt-get install poppler-utils")
	}
	for name, p := range papers(t) {
		t.Run(name, func(t *testing.T) {
			var out bytes.Buffer
			require.NoError(t, p.PDF(&out))
			file := filepath.Join(dir, name+".pdf")
			require.NoError(t, os.WriteFile(file, out.Bytes(), 0o644))
			text, err := exec.Command(pdftotext, "-layout", file, "-").CombinedOutput()
			require.NoError(t, err, string(text))
			words := strings.Join(strings.Fields(string(text)), " ")
			for _, word := range []string{p.Boat.Name, "Caution. A simulation is no proof of safety", "limits.motor_current", "How this was made", p.Made.BoatHash, "µΩ"} {
				assert.Contains(t, words, word)
			}
			d := p.document()
			for _, s := range d.Sections {
				assert.Contains(t, words, s.Title)
			}
		})
	}
}
