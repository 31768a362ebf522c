package main

import (
	"compress/gzip"
	_ "embed" // of the licences
	"io"
	"strings"
)

// licencesText is what go test -run Licences -update collects: the licence of quaybench, and of each module that is part of
// a released program on any system it is built for, with the notices they ask to be handed on. It is packed, since it is long.
//
//go:embed licences.gz
var licencesText string

func printLicences(sys *system) error {
	text, err := gzip.NewReader(strings.NewReader(licencesText))
	if err != nil {
		return err
	}
	_, err = io.Copy(sys.Out, text)
	return err
}
