package holder

import (
	"encoding/json"
	"testing"
)

// FuzzParse: whatever a script's process sends is a message or an error.
func FuzzParse(f *testing.F) {
	for _, line := range []string{
		`{"beat": 1}`, `{"stop": 1}`, `{"say": ""}`, `{"ask": {"id": 1, "programme": "", "rate": 20}}`,
		`{"release": true}`, `{"beat": 1, "stop": 1}`, `{"beat": 1}{"beat": 2}`, `null`, `[]`, `{"ask": null}`, "{\"say\": \"\xff\"}", ``,
	} {
		f.Add([]byte(line))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		m, err := parse(line)
		if err != nil {
			return
		}
		again, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := parse(again); err != nil {
			t.Fatalf("%s: %v", again, err)
		}
	})
}
