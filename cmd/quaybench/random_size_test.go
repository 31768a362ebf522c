//go:build !slow

package main

// randomBoats is how many boats are drawn in TestAnyBoatIsJudgedOrRefused; with the build tag slow it is many.
const randomBoats = 2

// agreeingBoats is how many boats are compared on screen, in JSON and in the report; studies how many studies are
// asked on one core and two.
const agreeingBoats, studies = 1, 2
