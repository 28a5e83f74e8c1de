package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"unicode/utf8"

	"limberjack/sequence"
)

// Bounds of what a page writes.
const (
	mostWrite = 1 << 20 // bytes of a body
	mostTake  = 4 << 20 // bytes of a recorded take
	mostStep  = 64      // bytes of a step's name
)

// member is one member of a body: where its value goes, and whether it may miss.
type member struct {
	name    string
	into    any
	mayMiss bool
}

// fill reads a JSON object (RFC 8259) that has these members and no others, each
// once, spelt exactly so, and none of them null.
func fill(data []byte, members ...member) error {
	if !utf8.Valid(data) {
		return errors.New("the body is not UTF-8 text")
	}
	d := json.NewDecoder(bytes.NewReader(data))
	if t, err := d.Token(); err != nil || t != json.Delim('{') {
		return errors.New("the body must be one JSON object in { }")
	}
	seen := map[string]bool{}
	for d.More() {
		t, err := d.Token()
		if err != nil {
			return fmt.Errorf("the body is no JSON: %w", err)
		}
		name, _ := t.(string)
		i := slices.IndexFunc(members, func(m member) bool { return m.name == name })
		switch {
		case i < 0:
			return fmt.Errorf("the body has nothing called %s%s", quoted(name), guessOf(name, members))
		case seen[name]:
			return fmt.Errorf("the body has %q twice; keep one of them", name)
		}
		seen[name] = true
		if err := fillOne(d, members[i]); err != nil {
			return err
		}
	}
	if _, err := d.Token(); err != nil {
		return fmt.Errorf("the body is no JSON: %w", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return errors.New("the body goes on after its JSON object; send one object")
	}
	for _, m := range members {
		if !m.mayMiss && !seen[m.name] {
			return fmt.Errorf("the body has no %q", m.name)
		}
	}
	return nil
}

func fillOne(d *json.Decoder, m member) error {
	var raw json.RawMessage
	if err := d.Decode(&raw); err != nil {
		return fmt.Errorf("the body is no JSON: %w", err)
	}
	if string(raw) == "null" {
		return fmt.Errorf("%q is null; leave it out, or give it a value", m.name)
	}
	if err := json.Unmarshal(raw, m.into); err != nil {
		return fmt.Errorf("%q has a value of the wrong kind: %s", m.name, quoted(string(raw)))
	}
	return nil
}

// guessOf says what a wrong name may have meant.
func guessOf(name string, members []member) string {
	var names []string
	for _, m := range members {
		names = append(names, m.name)
	}
	if near := sequence.Nearest(name, names); near != "" {
		return "; did you mean " + near + "?"
	}
	return "; it may have " + strings.Join(names, ", ")
}

// readBody reads the body of a request, and refuses what is not in order.
func readBody(w http.ResponseWriter, r *http.Request, members ...member) bool {
	data, err := io.ReadAll(r.Body)
	if err == nil {
		err = fill(data, members...)
	}
	if err != nil {
		faultBody.refuse(w, err.Error())
		return false
	}
	return true
}
