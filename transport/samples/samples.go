// Package samples writes the curves of a performance at a fixed rate.
package samples

import (
	"bufio"
	"encoding/json"
	"io"
	"math"
	"strconv"

	"limberjack/interp"
)

// block is how many samples are computed at once.
const block = 512

// walk gives the samples of all axes in order, a block at a time: times k/rate
// from 0 to the length, ends included. With derivatives, states holds them; else
// values does. Memory is that of one block.
func walk(p *interp.Performance, rate float64, derivatives bool, visit func(ts []float64, values [][]float64, states [][]interp.State) error) error {
	count := int64(math.Floor(p.Length*rate+1e-9)) + 1
	cursors := make([]interp.Cursor, len(p.Axes))
	values := make([][]float64, len(p.Axes))
	states := make([][]interp.State, len(p.Axes))
	for i, a := range p.Axes {
		cursors[i] = a.Part.Cursor()
		values[i] = make([]float64, block)
		states[i] = make([]interp.State, block)
	}
	ts := make([]float64, block)
	for k := int64(0); k < count; k += block {
		n := int(min(block, count-k))
		for i := range n {
			ts[i] = float64(k+int64(i)) / rate
		}
		for i := range cursors {
			if derivatives {
				cursors[i].States(states[i][:n], ts[:n])
			} else {
				cursors[i].Fill(values[i][:n], ts[:n])
			}
		}
		if err := visit(ts[:n], values, states); err != nil {
			return err
		}
	}
	return nil
}

// columns names the columns after time.
func columns(p *interp.Performance, derivatives bool) []string {
	var names []string
	for _, a := range p.Axes {
		names = append(names, a.Spec.Name)
		if derivatives {
			names = append(names, a.Spec.Name+".velocity", a.Spec.Name+".acceleration")
		}
	}
	return names
}

// appendRow appends the values of sample i, each after a comma. A derivative
// that is not finite, at a vertical tangent, is left empty.
func appendRow(dst []byte, i int, values [][]float64, states [][]interp.State, derivatives bool, empty string) []byte {
	for a := range values {
		if !derivatives {
			dst = appendNumber(append(dst, ','), values[a][i], empty)
			continue
		}
		s := states[a][i]
		for _, v := range [3]float64{s.Position, s.Speed, s.Acceleration} {
			dst = appendNumber(append(dst, ','), v, empty)
		}
	}
	return dst
}

func appendNumber(dst []byte, v float64, empty string) []byte {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return append(dst, empty...)
	}
	if v == 0 {
		return append(dst, '0') // also for a negative zero
	}
	if a := math.Abs(v); a < 1e-6 || a >= 1e21 {
		return strconv.AppendFloat(dst, v, 'e', -1, 64)
	}
	return strconv.AppendFloat(dst, v, 'f', -1, 64)
}

// WriteCSV writes the columns time and each axis, with derivatives also
// <axis>.velocity and <axis>.acceleration: seconds and the units of the
// documents, as the shortest decimals that read back exactly.
func WriteCSV(w io.Writer, p *interp.Performance, rate float64, derivatives bool) error {
	b := bufio.NewWriterSize(w, 64<<10)
	b.WriteString("time")
	for _, name := range columns(p, derivatives) {
		b.WriteString("," + name)
	}
	b.WriteString("\n")
	var line []byte
	err := walk(p, rate, derivatives, func(ts []float64, values [][]float64, states [][]interp.State) error {
		for i, t := range ts {
			line = appendNumber(line[:0], t, "")
			line = append(appendRow(line, i, values, states, derivatives, ""), '\n')
			if _, err := b.Write(line); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	return b.Flush()
}

// WriteJSON writes one object: motion, rate_hz, units by axis, the names of the
// columns, and the rows.
func WriteJSON(w io.Writer, p *interp.Performance, rate float64, derivatives bool) error {
	b := bufio.NewWriterSize(w, 64<<10)
	units := map[string]string{}
	for _, a := range p.Axes {
		units[a.Spec.Name] = a.Spec.Unit
	}
	head := []struct {
		name  string
		value any
	}{{"motion", p.Script.Name}, {"rate_hz", rate}, {"duration_s", p.Length}, {"units", units}, {"columns", append([]string{"time"}, columns(p, derivatives)...)}}
	b.WriteString("{\n")
	for _, h := range head {
		text, err := json.Marshal(h.value)
		if err != nil {
			return err
		}
		b.WriteString("  \"" + h.name + "\": ")
		b.Write(text)
		b.WriteString(",\n")
	}
	b.WriteString("  \"rows\": [")
	var line []byte
	separator := "\n    ["
	err := walk(p, rate, derivatives, func(ts []float64, values [][]float64, states [][]interp.State) error {
		for i, t := range ts {
			line = appendNumber(append(line[:0], separator...), t, "null")
			separator = ",\n    ["
			line = append(appendRow(line, i, values, states, derivatives, "null"), ']')
			if _, err := b.Write(line); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	b.WriteString("\n  ]\n}\n")
	return b.Flush()
}
