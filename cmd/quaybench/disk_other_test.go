//go:build !linux

package main

import "testing"

func smallDisk(t *testing.T) string {
	t.Helper()
	t.Skip("no small file system can be mounted here")
	return ""
}
