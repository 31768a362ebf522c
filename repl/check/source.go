package check

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/scanner"
	"go/token"
	"slices"
	"strings"
)

// A Source is a piece of text to check: one input of a session or a script.
type Source struct {
	// Name shown in front of the line number in errors: "input 3", "main.go".
	Name string
	// Line number of the first line; 0 means 1.
	Line int
	Text string
}

// A chunk is one top-level declaration or statement of a source.
type chunk struct {
	kind       chunkKind
	start, end int // byte offsets into the text
}

type chunkKind int

const (
	statement chunkKind = iota
	declaration
	importing
	variable // a var declaration: it declares and it does something
)

// A Piece is one top-level declaration or statement of a text.
type Piece struct {
	Text string
	// Declares is true for imports, constants, types and functions.
	Declares bool
}

// Pieces cuts a text into its top-level declarations and statements.
func Pieces(text string) ([]Piece, error) {
	chunks, err := split(token.NewFileSet(), Source{Text: text})
	var pieces []Piece
	for _, c := range chunks {
		pieces = append(pieces, Piece{strings.TrimSpace(text[c.start:c.end]), isDecl(c.kind)})
	}
	return pieces, err
}

// split cuts a text at its top-level semicolons, written or implied.
func split(fset *token.FileSet, src Source) ([]chunk, error) {
	file := addFile(fset, src)
	var sc scanner.Scanner
	var errs Errors
	sc.Init(file, []byte(src.Text), func(pos token.Position, msg string) {
		errs = append(errs, &Error{Pos: pos, Msg: msg})
	}, 0)

	var chunks []chunk
	var toks []token.Token // of the chunk so far
	depth, start := 0, 0
	for done := false; !done; {
		pos, tok, lit := sc.Scan()
		switch tok {
		case token.LPAREN, token.LBRACK, token.LBRACE:
			depth++
		case token.RPAREN, token.RBRACK, token.RBRACE:
			// Whatever follows would otherwise close the function that
			// statements are checked in.
			if depth--; depth < 0 {
				return nil, Errors{{Pos: fset.Position(pos), Msg: fmt.Sprintf("syntax error: unexpected %s, nothing is open here", tok)}}
			}
		case token.EOF:
			done = true
		}
		if done || tok == token.SEMICOLON && depth == 0 && !(lit == ";" && inHeader(toks)) {
			if len(toks) > 0 {
				chunks = append(chunks, chunk{kindOf(toks), start, file.Offset(pos)})
			}
			toks = nil
			continue
		}
		if len(toks) == 0 {
			start = file.Offset(pos)
		}
		if tok == token.PACKAGE && len(toks) == 0 {
			return nil, Errors{{Pos: fset.Position(pos), Msg: "a session has no package clause", Instead: "leave it out, or run the file as a script"}}
		}
		toks = append(toks, tok)
	}
	if len(errs) > 0 {
		return nil, errs
	}
	return chunks, nil
}

// inHeader reports whether the tokens are the beginning of a for, if or switch whose header is still open: its semicolons
// are part of it.
func inHeader(toks []token.Token) bool {
	if len(toks) > 2 && toks[0] == token.IDENT && toks[1] == token.COLON { // a label
		toks = toks[2:]
	}
	if len(toks) == 0 || toks[len(toks)-1] == token.RBRACE {
		return false
	}
	return toks[0] == token.FOR || toks[0] == token.IF || toks[0] == token.SWITCH
}

// kindOf distinguishes a declaration from a statement by its first tokens.
func kindOf(toks []token.Token) chunkKind {
	switch toks[0] {
	case token.IMPORT:
		return importing
	case token.CONST, token.TYPE:
		return declaration
	case token.VAR:
		return variable
	case token.FUNC:
		// "func f(" and "func (t T) m(" declare; "func(...) {...}()" is called on the spot.
		if len(toks) > 1 && toks[1] == token.IDENT {
			return declaration
		}
		depth := 0
		for i := 1; i < len(toks); i++ {
			switch toks[i] {
			case token.LPAREN:
				depth++
			case token.RPAREN:
				if depth--; depth == 0 {
					if i+2 < len(toks) && toks[i+1] == token.IDENT && toks[i+2] == token.LPAREN {
						return declaration
					}
					return statement
				}
			}
		}
	}
	return statement
}

// Unfinished reports whether text is the beginning of something: an open
// bracket, string or comment, or an operator that waits for its right side.
// More lines are then worth asking for; if it is false, the text is complete
// or wrong.
func Unfinished(text string) bool {
	fset := token.NewFileSet()
	file := fset.AddFile("", -1, len(text))
	var sc scanner.Scanner
	open := false
	sc.Init(file, []byte(text), func(_ token.Position, msg string) {
		if msg == "raw string literal not terminated" || msg == "comment not terminated" {
			open = true
		}
	}, 0)
	depth := 0
	last := token.SEMICOLON
	for {
		_, tok, lit := sc.Scan()
		if tok == token.EOF {
			break
		}
		switch tok {
		case token.LPAREN, token.LBRACK, token.LBRACE:
			depth++
		case token.RPAREN, token.RBRACK, token.RBRACE:
			depth--
		case token.ILLEGAL:
			return open
		}
		if depth < 0 {
			return false
		}
		if tok != token.SEMICOLON || lit == "\n" {
			last = tok
		} else {
			last = token.SEMICOLON
		}
	}
	// The scanner puts a semicolon wherever a line can end.
	return open || depth > 0 || last != token.SEMICOLON
}

// addFile adds the source to fset so that positions count from src.Line.
func addFile(fset *token.FileSet, src Source) *token.File {
	file := fset.AddFile(src.Name, -1, len(src.Text))
	if src.Line > 1 {
		file.AddLineColumnInfo(0, src.Name, src.Line, 1)
	}
	return file
}

// parse parses text, of which only the chunks given count, between before and
// after; positions are those in src.
func parse(fset *token.FileSet, src Source, chunks []chunk, before, after string) (*ast.File, error) {
	masked := make([]byte, 0, len(src.Text))
	for i := range len(src.Text) {
		if src.Text[i] == '\n' {
			masked = append(masked, '\n')
		} else {
			masked = append(masked, ' ')
		}
	}
	for _, c := range chunks {
		copy(masked[c.start:c.end], src.Text[c.start:c.end])
		if c.end < len(masked) && masked[c.end] == ' ' {
			masked[c.end] = ';'
		}
	}
	head := fmt.Sprintf("package main;%s/*line %s:%d:1*/", before, src.Name, max(src.Line, 1))
	f, err := parser.ParseFile(fset, src.Name, head+string(masked)+"\n"+after, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return nil, within(src, syntaxErrors(err))
	}
	return f, nil
}

// within leaves out errors behind the end of a source, which are about what the tool writes there; where there are no others, the
// source ends too early.
func within(src Source, err error) error {
	errs, ok := err.(Errors)
	if !ok {
		return err
	}
	lines := strings.Split(strings.TrimRight(src.Text, "\n"), "\n")
	last := max(src.Line, 1) + len(lines) - 1
	if inside := slices.DeleteFunc(slices.Clone(errs), func(e *Error) bool { return e.Pos.Line > last }); len(inside) > 0 {
		return inside
	}
	return Errors{{Pos: token.Position{Filename: src.Name, Line: last, Column: len(lines[len(lines)-1]) + 1}, Msg: "syntax error: something is missing at the end"}}
}

func syntaxErrors(err error) error {
	list, ok := err.(scanner.ErrorList)
	if !ok {
		return err
	}
	var errs Errors
	for _, e := range list {
		msg := e.Msg
		if !strings.HasPrefix(msg, "syntax error") {
			msg = "syntax error: " + msg
		}
		errs = append(errs, &Error{Pos: e.Pos, Msg: msg})
	}
	return errs
}

// parseFile parses a whole file.
func parseFile(fset *token.FileSet, src Source) (*ast.File, error) {
	f, err := parser.ParseFile(fset, src.Name, src.Text, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return nil, syntaxErrors(err)
	}
	return f, nil
}
