//go:build slow

package main

const randomBoats = 3000

const agreeingBoats, studies = 300, 4
