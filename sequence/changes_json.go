package sequence

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"sort"
	"strings"
	"unicode/utf8"
)

// MaxChanges is how many changes one list may hold, and how many keys each may name.
const MaxChanges = 20000

var changeKinds = map[string]reflect.Type{
	"set-key": reflect.TypeFor[SetKey](), "add-key": reflect.TypeFor[AddKey](), "delete-keys": reflect.TypeFor[DeleteKeys](),
	"shift-keys": reflect.TypeFor[ShiftKeys](), "stretch-keys": reflect.TypeFor[StretchKeys](), "mirror-keys": reflect.TypeFor[MirrorKeys](),
	"set-mark": reflect.TypeFor[SetMark](), "add-mark": reflect.TypeFor[AddMark](), "rename-mark": reflect.TypeFor[RenameMark](), "delete-mark": reflect.TypeFor[DeleteMark](),
	"store-pose": reflect.TypeFor[StorePose](), "rename-pose": reflect.TypeFor[RenamePose](), "delete-pose": reflect.TypeFor[DeletePose](),
	"set-cue": reflect.TypeFor[SetCue](), "add-cue": reflect.TypeFor[AddCue](), "delete-cue": reflect.TypeFor[DeleteCue](),
	"add-placement": reflect.TypeFor[AddPlacement](), "set-placement": reflect.TypeFor[SetPlacement](), "delete-placement": reflect.TypeFor[DeletePlacement](), "set-layer": reflect.TypeFor[SetLayer](),
}

// ParseChanges reads a JSON list of changes, which comes from outside: names that are
// not known, given twice or missing, null and values of another kind are errors.
func ParseChanges(data []byte) ([]Change, error) {
	if !utf8.Valid(data) {
		return nil, errors.New("the changes are not UTF-8 text")
	}
	items, err := jsonItems(data, "the changes")
	if err != nil {
		return nil, err
	}
	out := make([]Change, len(items))
	for i, item := range items {
		if out[i], err = parseChange(item, fmt.Sprintf("change %d", i+1)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func parseChange(data json.RawMessage, what string) (Change, error) {
	members, err := jsonMembers(data, what)
	if err != nil {
		return nil, err
	}
	kinds := keysOf(changeKinds)
	sort.Strings(kinds)
	var name string
	if raw, ok := members["do"]; !ok || json.Unmarshal(raw, &name) != nil {
		return nil, fmt.Errorf("%s does not say what to do; give it \"do\" with %s", what, joinOr(kinds))
	}
	delete(members, "do")
	kind, ok := changeKinds[name]
	if !ok {
		hint := "it may be " + joinOr(kinds)
		if near := Nearest(name, kinds); near != "" {
			hint = "did you mean " + near + "?"
		}
		return nil, fmt.Errorf("%s has the unknown \"do\" %q; %s", what, clip(name, 80), hint)
	}
	v := reflect.New(kind)
	if err := fillStruct(v.Elem(), members, what+" ("+name+")"); err != nil {
		return nil, err
	}
	return v.Interface().(Change), nil
}

// fillStruct takes the members of an object that a struct's tags name. All but
// pointers, flags and what may be omitted have to be there.
func fillStruct(v reflect.Value, members map[string]json.RawMessage, what string) error {
	var known []string
	for _, f := range reflect.VisibleFields(v.Type()) {
		tag := f.Tag.Get("json")
		if f.Anonymous || tag == "" {
			continue
		}
		name, mayMiss := strings.CutSuffix(tag, ",omitempty")
		known = append(known, name)
		raw, ok := members[name]
		if !ok && mayMiss {
			continue
		}
		if !ok {
			return fmt.Errorf("%s has no %q", what, name)
		}
		if err := fillValue(v.FieldByIndex(f.Index), raw, what+": "+name); err != nil {
			return err
		}
		delete(members, name)
	}
	names := keysOf(members)
	if len(names) == 0 {
		return nil
	}
	sort.Strings(names)
	hint := "it may have " + joinOr(known)
	if near := Nearest(names[0], known); near != "" {
		hint = "did you mean " + near + "?"
	}
	return fmt.Errorf("%s has nothing called %q; %s", what, clip(names[0], 80), hint)
}

func fillValue(v reflect.Value, raw json.RawMessage, what string) error {
	if bytes.Equal(raw, []byte("null")) {
		return fmt.Errorf("%s is null; leave it out, or give it a value", what)
	}
	noun := ""
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return fillValue(v.Elem(), raw, what)
	case reflect.Struct:
		members, err := jsonMembers(raw, what)
		if err != nil {
			return err
		}
		return fillStruct(v, members, what)
	case reflect.Slice:
		items, err := jsonItems(raw, what)
		if err != nil {
			return err
		}
		v.Set(reflect.MakeSlice(v.Type(), len(items), len(items)))
		for i, item := range items {
			if err := fillValue(v.Index(i), item, what); err != nil {
				return err
			}
		}
		return nil
	case reflect.Map:
		return fillMap(v, raw, what)
	case reflect.Float64:
		noun = "a number"
	case reflect.Int:
		noun = "a whole number"
	case reflect.Bool:
		noun = "true or false"
	default:
		noun = "text"
	}
	if err := json.Unmarshal(raw, v.Addr().Interface()); err != nil || (v.Kind() == reflect.Float64 && math.IsInf(v.Float(), 0)) {
		return fmt.Errorf("%s must be %s, not %s", what, noun, clip(string(raw), 80))
	}
	return nil
}

func fillMap(v reflect.Value, raw json.RawMessage, what string) error {
	members, err := jsonMembers(raw, what)
	if err != nil {
		return err
	}
	v.Set(reflect.MakeMapWithSize(v.Type(), len(members)))
	names := keysOf(members)
	sort.Strings(names)
	for _, name := range names {
		value := reflect.New(v.Type().Elem()).Elem()
		if err := fillValue(value, members[name], what+": "+clip(name, 80)); err != nil {
			return err
		}
		v.SetMapIndex(reflect.ValueOf(name), value)
	}
	return nil
}

// jsonItems lists the elements of a JSON list.
func jsonItems(data []byte, what string) ([]json.RawMessage, error) {
	if err := jsonKind(data, '[', what, "a list in [ ]"); err != nil {
		return nil, err
	}
	var items []json.RawMessage
	d := json.NewDecoder(bytes.NewReader(data))
	d.Token()
	for d.More() {
		var item json.RawMessage
		if err := d.Decode(&item); err != nil {
			return nil, fmt.Errorf("%s: this is not JSON: %v", what, err)
		}
		if items = append(items, item); len(items) > MaxChanges {
			return nil, fmt.Errorf("%s: the list holds more than %d; send them in parts", what, MaxChanges)
		}
	}
	return items, nil
}

// jsonMembers lists the members of a JSON object, of which no two may have one name.
func jsonMembers(data []byte, what string) (map[string]json.RawMessage, error) {
	if err := jsonKind(data, '{', what, "an object in { }"); err != nil {
		return nil, err
	}
	members := map[string]json.RawMessage{}
	d := json.NewDecoder(bytes.NewReader(data))
	d.Token()
	for d.More() {
		token, err := d.Token()
		name, ok := token.(string)
		if err != nil || !ok {
			return nil, fmt.Errorf("%s: this is not JSON: %v", what, err)
		}
		if _, twice := members[name]; twice {
			return nil, fmt.Errorf("%s has %q twice; keep one of them", what, clip(name, 80))
		}
		var value json.RawMessage
		if err := d.Decode(&value); err != nil {
			return nil, fmt.Errorf("%s: this is not JSON: %v", what, err)
		}
		members[name] = value
	}
	return members, nil
}

// jsonKind refuses what is no whole JSON value, or another one.
func jsonKind(data []byte, opening byte, what, noun string) error {
	var whole json.RawMessage
	d := json.NewDecoder(bytes.NewReader(data))
	if err := d.Decode(&whole); err != nil {
		return fmt.Errorf("%s: this is not JSON: %v", what, err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%s: something follows after the end; send one JSON value", what)
	}
	if whole[0] != opening {
		return fmt.Errorf("%s must be %s, not %s", what, noun, clip(string(whole), 80))
	}
	return nil
}
