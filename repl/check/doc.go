// Package check type-checks what a session or a script is about to run, before any of it runs. It keeps what a session has declared,
// turns an input into a program of its own, says what is wrong with it in plain words and lines, and completes names.
package check
