package profiles_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"time"

	"quaybench/profiles"
)

// A yard saves two versions of a boat's settings, compares them and looks who set a value. The boat is
// invented.
func Example() {
	dir, err := os.MkdirTemp("", "book")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	ctx := context.Background()
	at := time.Date(2026, 4, 1, 7, 0, 0, 0, time.UTC)
	book, err := profiles.Create(dir, profiles.Options{Now: func() time.Time { at = at.Add(time.Hour); return at }})
	if err != nil {
		panic(err)
	}
	texts := profiles.Texts{Boat: []byte("name = \"petrel\"\n"), Settings: []byte("[limits]\nmotor_current = \"220 A\"\n")}
	if err := book.AddBoat(ctx, "petrel", texts); err != nil {
		panic(err)
	}
	by := profiles.SaveOptions{Author: "yard hand", Reason: "as delivered", Tool: "quaybench 1"}
	first, err := book.Save(ctx, "petrel", by)
	if err != nil {
		panic(err)
	}

	err = book.Edit(ctx, "petrel", profiles.SettingsFile, func(text []byte) ([]byte, error) {
		return bytes.ReplaceAll(text, []byte("220 A"), []byte("242 A")), nil
	})
	if err != nil {
		panic(err)
	}
	tried, err := book.Texts(ctx, "petrel") // what a trial runs on
	if err != nil {
		panic(err)
	}
	used := 0.93
	by.Reason = "more thrust for the tow"
	by.Tried = &tried
	by.Verdicts = []profiles.Verdict{{Trial: "crash stop", Result: profiles.Close, Part: "winding", Used: &used, Tool: "quaybench 1"}}
	second, err := book.Save(ctx, "petrel", by)
	if err != nil {
		panic(err)
	}

	d, err := book.Diff(ctx, "petrel", first.Hash.Short(), second.Hash.Short())
	if err != nil {
		panic(err)
	}
	for _, c := range d.Settings {
		fmt.Printf("%s: %s -> %s (%+.0f %%)\n", c.Key, c.Was, c.Now, *c.Percent)
	}
	events, err := book.History(ctx, "petrel", "limits.motor_current")
	if err != nil {
		panic(err)
	}
	for _, e := range events {
		fmt.Printf("v%d %s: %s (%s)\n", e.Number, e.Author, e.Now, e.Reason)
	}
	_, err = book.Approve(ctx, "petrel", first.Hash.Short(), profiles.ApproveOptions{Author: "yard master", Tool: "quaybench 1"})
	fmt.Println("approved without a trial:", err == nil)
	// Output:
	// limits.motor_current: 220 A -> 242 A (+10 %)
	// v1 yard hand: 220 A (as delivered)
	// v2 yard hand: 242 A (more thrust for the tow)
	// approved without a trial: false
}
