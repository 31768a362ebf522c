// Package holder keeps the line to a controller out of the process that interprets a script. The script's process asks,
// over two pipes; the holder, in the process that has the line, decides, runs, and answers with a record.
//
// What a script can ask for is a programme to be run, and nothing else: no message releases the throttle, lifts a limit or
// reaches the controller. While a programme runs the script's process is to be heard ten times a second. If it dies,
// hangs, floods or talks nonsense, the programme is called off, and zero is the last command.
//
// Messages are lines of JSON, one object each:
//
//	script -> holder  {"ask": {"id": 1, "boat": "…", "settings": {"limits.motor_current": "140 A"}, "programme": "name = …", "rate": 20}}
//	                  {"beat": 1}         still here
//	                  {"stop": 1}         call programme 1 off
//	                  {"say": "text"}     for the person at the terminal
//	holder -> script  {"id": 1, "record": "…", "predicted": "…", "stop": {…}}
//	                  {"id": 1, "refused": "why"}
package holder
