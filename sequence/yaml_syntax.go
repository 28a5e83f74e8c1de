package sequence

import (
	"bytes"
	"regexp"
	"strconv"
	"strings"
)

var yamlLine = regexp.MustCompile(`^yaml: (?:line (\d+): )?(.*)$`)

// syntax reports an error of the YAML library at the first character of its line.
func (d *decoder) syntax(err error, data []byte) {
	text, line := err.Error(), 1
	if m := yamlLine.FindStringSubmatch(text); m != nil {
		text = m[2]
		if n, convErr := strconv.Atoi(m[1]); convErr == nil {
			line = n
			// The library counts lines from 0 where its parser, and from 1 where
			// its scanner, finds the error.
			if strings.HasPrefix(text, "did not find expected") {
				line++
			}
		}
	}
	// An end of the file that comes too early is told for the line where the quote
	// was opened, except for the first line, which the library does not name.
	if strings.Contains(text, "unexpected end of stream") && line > bytes.Count(bytes.TrimRight(data, "\r\n"), []byte("\n"))+1 {
		line = 1
	}
	if tabLine, column := tabIndent(data); tabLine > 0 && tabLine <= line+1 {
		d.report.add(Pos{d.file, tabLine, column}, "use spaces", "a tab indents this line, which YAML does not allow")
		return
	}
	if anchor, ok := strings.CutPrefix(text, "unknown anchor "); ok {
		name := strings.Trim(strings.TrimSuffix(anchor, " referenced"), "'")
		if at := findAlias(data, name); at.Line > 0 {
			d.report.add(Pos{d.file, at.Line, at.Column}, "an anchor (&"+name+") must stand before its alias (*"+name+"); quote text that begins with a star",
				"there is no anchor called %q", name)
			return
		}
	}
	column := 1
	if lines := bytes.SplitN(data, []byte("\n"), line+1); line <= len(lines) {
		body := lines[line-1]
		column = 1 + len(body) - len(bytes.TrimLeft(body, " "))
	}
	plain, hint := plainSyntax(text)
	d.report.add(Pos{d.file, line, column}, hint, "%s", plain)
}

// plainSyntax says in plain words what the YAML library means.
func plainSyntax(text string) (plain, hint string) {
	for _, s := range syntaxWords {
		if strings.Contains(text, s.library) {
			return s.plain, s.hint
		}
	}
	return "this is not valid YAML: " + text, "check this line and the one above it"
}

var syntaxWords = []struct{ library, plain, hint string }{
	{"mapping values are not allowed", "a colon stands where none can be", "check how far this line and the one above are indented, and put text that holds a colon in quotes"},
	{"expected ',' or ']'", "a list that begins with [ is not closed, or misses a comma", "close it with ], and put an ease that has commas in quotes"},
	{"expected ',' or '}'", "a group that begins with { is not closed, or misses a comma", "close it with }, and put an ease that has commas in quotes"},
	{"expected key", "the lines from here on do not line up", "indent all names of one group by the same number of spaces, and all items of one list too"},
	{"expected '-' indicator", "the items of this list do not line up", "begin each item with - at the same column"},
	{"expected node content", "a value is missing here", "write a value, or take the comma or bracket out"},
	{"could not find expected ':'", "a name without a value stands here", "write name: value"},
	{"cannot start any token", "a value begins with a character that YAML keeps for itself", "put text that begins with @, % or ` in quotes, and indent with spaces"},
	{"unexpected end of stream", "a quote that was opened is not closed", "close it with the same kind of quote"},
	{"unknown escape character", "a backslash in double quotes begins a special character, and this one is unknown", "write the text in single quotes, or the path with /"},
	{"control characters are not allowed", "the file holds characters that are not text", "choose a rig, motion or show file; save it as plain text"},
	{"UTF-8", "the file is not UTF-8 text", "save it as UTF-8 in the editor"},
	{"exceeded max depth", "the brackets or indents are nested too deep", "close the brackets of each line"},
	{"unknown directive", "a line that begins with % means something special in YAML", "put the text in quotes"},
	{"block sequence entries are not allowed", "a list item (-) stands where none can be", "begin the list on a line of its own, indented below its name"},
}

// findAlias finds the first *name in a text.
func findAlias(data []byte, name string) Pos {
	i := bytes.Index(data, []byte("*"+name))
	if i < 0 {
		return Pos{}
	}
	start := bytes.LastIndexByte(data[:i], '\n') + 1
	return Pos{Line: 1 + bytes.Count(data[:i], []byte("\n")), Column: 1 + len([]rune(string(data[start:i])))}
}

// tabIndent finds the first tab that indents a line. YAML forbids it, and the
// library's own message does not say so.
func tabIndent(data []byte) (line, column int) {
	for rest := data; len(rest) > 0; {
		text := rest
		if i := bytes.IndexByte(rest, '\n'); i >= 0 {
			text, rest = rest[:i], rest[i+1:]
		} else {
			rest = nil
		}
		line++
		indent := len(text) - len(bytes.TrimLeft(text, " \t"))
		body := bytes.TrimSpace(text)
		if i := bytes.IndexByte(text[:indent], '\t'); i >= 0 && len(body) > 0 && body[0] != '#' {
			return line, i + 1
		}
	}
	return 0, 0
}
