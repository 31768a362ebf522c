// Package linktest proves links: one conformance suite for every port,
// controller and instrument, lines that misbehave, and a recorder with a
// playback that refuses leftovers.
package linktest
