package sequence

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"sort"
	"strings"

	"limberjack/interp/ease"
)

// Schema gives the JSON Schema (draft 2020-12) of a kind of document: "rig",
// "motion" or "show". Editors use it to complete and to check while one types.
// It is made from the tables that the reader itself uses. What no schema can
// say, such as whether a name is declared, is left to Load.
func Schema(kind string) ([]byte, error) {
	top, ok := map[string]*shape{"rig": rigShape, "motion": motionShape, "show": showShape}[kind]
	if !ok {
		return nil, fmt.Errorf("there is no schema for %q; there is one for rig, motion and show", kind)
	}
	w := schemaWriter{defs: map[string]ordered{}}
	root := ordered{
		{"$schema", "https://json-schema.org/draft/2020-12/schema"},
		{"$id", fmt.Sprintf("urn:limberjack:%s:%d", kind, formatNow)},
		{"title", "limberjack " + kind},
	}
	root = append(root, w.shape(top)...)
	root = append(root, member{"$defs", w.sortedDefs()})
	var flat, out bytes.Buffer
	enc := json.NewEncoder(&flat)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(root); err != nil {
		return nil, err
	}
	if err := json.Indent(&out, flat.Bytes(), "", "  "); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// ordered is a JSON object whose members keep their order.
type ordered []member

type member struct {
	name  string
	value any
}

// MarshalJSON writes the members in their order.
func (o ordered) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	b.WriteByte('{')
	for i, m := range o {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := enc.Encode(m.name); err != nil {
			return nil, err
		}
		b.WriteByte(':')
		if err := enc.Encode(m.value); err != nil {
			return nil, err
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// schemaWriter collects the definitions that a schema refers to.
type schemaWriter struct{ defs map[string]ordered }

func (w *schemaWriter) sortedDefs() ordered {
	names := keysOf(w.defs)
	sort.Strings(names)
	all := make(ordered, len(names))
	for i, name := range names {
		all[i] = member{name, w.defs[name]}
	}
	return all
}

// ref defines a name once and refers to it.
func (w *schemaWriter) ref(name string, make func() ordered) ordered {
	if _, known := w.defs[name]; !known {
		w.defs[name] = ordered{} // entered first, since a shape may refer to itself
		w.defs[name] = make()
	}
	return ordered{{"$ref", "#/$defs/" + name}}
}

func (w *schemaWriter) shapeRef(s *shape) ordered {
	return w.ref(strings.ReplaceAll(s.name, " ", "-"), func() ordered {
		if len(s.short) == 0 {
			return append(ordered{{"description", s.doc}}, w.mapping(s)...)
		}
		return ordered{{"description", s.doc}, {"anyOf", []ordered{w.shortList(s), w.mapping(s)}}}
	})
}

func (w *schemaWriter) shape(s *shape) ordered {
	return append(ordered{{"description", s.doc}}, w.mapping(s)...)
}

// mapping describes the mapping of a shape.
func (w *schemaWriter) mapping(s *shape) ordered {
	out := ordered{{"type", "object"}, {"properties", w.properties(s)}}
	var required []string
	for _, f := range s.fields {
		if f.need {
			required = append(required, f.name)
		}
	}
	if required != nil {
		out = append(out, member{"required", required})
	}
	out = append(out, member{"additionalProperties", false})
	if forms := formsOf(s); forms != nil {
		out = append(out, member{"oneOf", forms})
	}
	if len(s.together) > 0 {
		var all ordered
		for _, name := range s.together {
			all = append(all, member{name, s.together})
		}
		out = append(out, member{"dependentRequired", all})
	}
	if len(s.apart) > 0 {
		out = append(out, member{"not", ordered{{"required", s.apart}}})
	}
	if byKind := w.byKind(s); byKind != nil {
		out = append(out, member{"allOf", byKind})
	}
	return out
}

func (w *schemaWriter) properties(s *shape) ordered {
	var all ordered
	for _, f := range s.fields {
		all = append(all, member{f.name, append(ordered{{"description", f.doc}}, w.want(f.want)...)})
	}
	return all
}

// formsOf describes the ways to fill a mapping of which exactly one holds.
func formsOf(s *shape) []ordered {
	forms := s.forms
	if forms == nil {
		for _, name := range s.exactlyOne {
			forms = append(forms, form{need: []string{name}})
		}
	}
	var out []ordered
	for i, f := range forms {
		var never ordered
		for j, other := range forms {
			for _, name := range append(append([]string(nil), other.need...), other.also...) {
				if i != j {
					never = append(never, member{name, false})
				}
			}
		}
		out = append(out, ordered{{"required", f.need}, {"properties", never}})
	}
	return out
}

// byKind says which keys belong to which kind of axis, and which it needs.
func (w *schemaWriter) byKind(s *shape) []ordered {
	var out []ordered
	for i, kind := range kindNames {
		var foreign ordered
		var need []string
		for _, f := range s.fields {
			if f.kinds != nil && !hasKind(f.kinds, Kind(i)) {
				foreign = append(foreign, member{f.name, false})
			}
			if hasKind(f.needOf, Kind(i)) {
				need = append(need, f.name)
			}
		}
		if foreign == nil && need == nil {
			continue
		}
		then := ordered{{"properties", foreign}}
		if need != nil {
			then = append(then, member{"required", need})
		}
		out = append(out, ordered{
			{"if", ordered{{"properties", ordered{{"kind", ordered{{"const", kind}}}}}, {"required", []string{"kind"}}}},
			{"then", then},
		})
	}
	return out
}

// shortList describes the list form of a mapping: its fields in order.
func (w *schemaWriter) shortList(s *shape) ordered {
	var items []ordered
	least := 0
	for _, name := range s.short {
		f := s.fields[s.index(name)]
		items = append(items, append(ordered{{"description", f.doc}}, w.want(f.want)...))
		if f.need {
			least++
		}
	}
	return ordered{{"type", "array"}, {"prefixItems", items}, {"items", false}, {"minItems", least}}
}

// want describes one value.
func (w *schemaWriter) want(v want) ordered {
	switch v.kind {
	case wantText:
		return w.ref("text", func() ordered {
			return ordered{{"type", []string{"string", "number", "boolean"}}, {"pattern", `\S`}}
		})
	case wantName:
		return w.ref("name", func() ordered { return ordered{{"type", []string{"string", "number"}}, {"pattern", namePattern}} })
	case wantPath:
		return w.ref("path", func() ordered { return ordered{{"type", "string"}, {"minLength", 1}} })
	case wantFlag:
		return ordered{{"enum", []any{true, false, "true", "false"}}}
	case wantNumber:
		return w.number(v)
	case wantWhole:
		if v.lo == v.hi {
			return ordered{{"const", v.lo}}
		}
		return ordered{{"type", "integer"}, {"minimum", v.lo}, {"maximum", v.hi}}
	case wantChoice:
		return ordered{{"enum", v.words}}
	case wantObject:
		return w.shapeRef(v.shape)
	case wantTable:
		return w.table(v)
	case wantList:
		out := ordered{{"type", "array"}, {"items", w.want(*v.elem)}}
		if v.need > 0 {
			out = append(out, member{"minItems", v.need})
		}
		return out
	case wantRow:
		return ordered{{"type", "array"}, {"prefixItems", w.all(v.alts)}, {"items", false}, {"minItems", v.need}}
	case wantAnyOf:
		return ordered{{"anyOf", w.all(v.alts)}}
	}
	return w.notation(v)
}

func (w *schemaWriter) all(list []want) []ordered {
	out := make([]ordered, len(list))
	for i, v := range list {
		out[i] = w.want(v)
	}
	return out
}

// notation describes the values with a notation of their own.
func (w *schemaWriter) notation(v want) ordered {
	switch v.kind {
	case wantValue:
		return w.ref("value", func() ordered {
			return ordered{{"description", "A value of an axis: an angle, a length, a percentage, or on and off."}, {"anyOf", []ordered{
				bare(v.lo, v.hi),
				{{"enum", []any{"on", "off", true, false}}},
				unitText(withUnit(angle, length, ratio), "30deg", "12mm", "50%"),
			}}}
		})
	case wantTime:
		return w.ref("time", func() ordered {
			return ordered{{"description", "A time: seconds, frames, beats, a timecode, a mark with or without an offset, or soonest."}, {"anyOf", []ordered{
				bare(0, v.hi),
				unitText(timePattern(), "1.2s", "36f", "3b", "00:00:01:12"),
				unitText(markPattern, "soonest"),
			}}}
		})
	case wantDuration:
		return w.ref("duration", func() ordered {
			return ordered{{"description", "A length of time: seconds, frames, beats or a timecode."}, {"anyOf", []ordered{
				bare(0, v.hi), unitText(timePattern(), "1.2s", "36f", "3b"),
			}}}
		})
	case wantEase:
		return w.ref("ease", easeSchema)
	case wantShare:
		return ordered{{"anyOf", []ordered{bare(v.lo, v.hi), unitText(numberPattern(sharePattern()), "0.5mm/deg")}}}
	}
	panic("sequence: a want of no known kind")
}

// table describes a mapping of names.
func (w *schemaWriter) table(v want) ordered {
	out := ordered{{"type", "object"}}
	if v.shape != nil {
		out = append(out, member{"description", v.shape.doc}, member{"properties", w.properties(v.shape)})
	}
	names := namePattern
	if v.numbered {
		names = `^[0-9]+$`
	}
	return append(out, member{"propertyNames", ordered{{"pattern", names}}}, member{"additionalProperties", w.want(*v.elem)})
}

// number describes a quantity: a bare number within its range, or text with a unit.
func (w *schemaWriter) number(v want) ordered {
	lo, hi := v.lo, v.hi
	switch v.dims[0] {
	case plain:
		return bare(lo, hi)
	case pulse:
		lo, hi = 0, 0 // a bare pulse would be seconds
	case wireArea:
		lo, hi = minGauge, maxGauge
	}
	name := "quantity"
	var examples []any
	for _, d := range v.dims {
		name += "-" + strings.NewReplacer("/", "-per-", "%", "percent", ".", "").Replace(naturalUnit[d])
		examples = append(examples, dimNames[d].example)
	}
	text := w.ref(name, func() ordered { return unitText(withUnit(v.dims...), examples...) })
	return ordered{{"anyOf", []ordered{bare(lo, hi), text}}}
}

func bare(lo, hi float64) ordered {
	return ordered{{"type", "number"}, {"minimum", lo}, {"maximum", hi}}
}

func unitText(pattern string, examples ...any) ordered {
	return ordered{{"type", "string"}, {"pattern", pattern}, {"examples", examples}}
}

const (
	numberText = `[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?`
	// namePattern is what goodName allows.
	namePattern = `^[^-\x00-\x20,:;#"'/\\+][^\x00-\x20,:;#"'/\\+]{0,63}$`
	// markPattern is a mark with or without an offset, or soonest.
	markPattern = `^\s*[^-\x00-\x20,:;#"'/\\+.0-9][^\x00-\x20,:;#"'/\\+]*\s*([+-]\s*([0-9]+\.?[0-9]*|\.[0-9]+)\s*(s|ms|us|µs|μs|min|h|f|b)?)?\s*$`
)

// numberPattern is a number with what may follow it.
func numberPattern(after string) string { return `^\s*` + numberText + `\s*` + after + `\s*$` }

func withUnitNames(names []string) string {
	return numberPattern(`(` + alternatives(names) + `)?`)
}

// withUnit is a number with a unit of one of some dimensions, or without.
func withUnit(dims ...dim) string {
	var names []string
	for _, d := range dims {
		names = append(names, unitNames(d)...)
	}
	pattern := alternatives(names)
	for _, d := range dims {
		switch d {
		case angleSpeed:
			pattern += "|" + sheetSpeed(angle)
		case lengthSpeed:
			pattern += "|" + sheetSpeed(length)
		case wireArea:
			pattern += "|[Aa][Ww][Gg]"
		}
	}
	return numberPattern(`(` + pattern + `)?`)
}

func sheetSpeed(way dim) string {
	return `(` + alternatives(unitNames(seconds)) + `)\s*/\s*` + strings.TrimPrefix(numberText, `[+-]?`) + `\s*(` + alternatives(unitNames(way)) + `)`
}

func sharePattern() string {
	of := `(` + alternatives(append(append(unitNames(angle), unitNames(length)...), unitNames(ratio)...)) + `)`
	return `(` + of + `\s*/\s*` + of + `)?`
}

// timePattern is a number with a unit of time, or a timecode.
func timePattern() string {
	number := strings.TrimSuffix(strings.TrimPrefix(withUnitNames(append(unitNames(seconds), "f", "b")), "^"), "$")
	return `^(` + number + `|\s*[0-9]{1,3}:[0-9]{1,3}:[0-9]{1,3}[:;][0-9]{1,3}\s*)$`
}

// unitNames lists all spellings of the units of a dimension, sorted.
func unitNames(d dim) []string {
	var names []string
	for name, list := range units {
		for _, u := range list {
			if u.dim == d {
				names = append(names, name)
			}
		}
	}
	sort.Strings(names)
	return names
}

func alternatives(names []string) string {
	quoted := make([]string, len(names))
	for i, name := range names {
		quoted[i] = regexp.QuoteMeta(name)
	}
	return strings.Join(quoted, "|")
}

// easeSchema lists the eases without arguments, so that editors complete them,
// and those with arguments as patterns.
func easeSchema() ordered {
	var names, calls []string
	for _, name := range ease.Names() {
		if _, err := ease.Parse(name); err == nil {
			names = append(names, name)
		} else {
			calls = append(calls, name)
		}
	}
	calls = append(calls, "linear")
	sort.Strings(calls)
	return ordered{{"description", "How the axis arrives at a key."}, {"anyOf", []ordered{
		{{"enum", names}},
		unitText(`^\s*(`+alternatives(calls)+`)\(.*\)\s*$`, "cubic-bezier(0.3, 0, 0.2, 1)", "steps(4, jump-end)", "linear(0, 0.25 75%, 1)", "trapezoid(0.3, 0.3)"),
	}}}
}
