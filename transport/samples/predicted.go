package samples

import (
	"bufio"
	"encoding/json"
	"io"

	"limberjack/interp"
	"limberjack/interp/drive"
)

// predictedColumns names the columns after time: four for each axis, four for
// each supply.
func predictedColumns(p *interp.Performance) []string {
	var names []string
	for _, a := range p.Axes {
		n := a.Spec.Name
		names = append(names, n+".commanded", n+".predicted", n+".current", n+".peak_current")
	}
	for _, s := range p.Rig.Supplies {
		names = append(names, s.Name+".voltage", s.Name+".least_voltage", s.Name+".current", s.Name+".peak_current")
	}
	return names
}

func appendPredicted(dst []byte, axes []drive.Sample, supplies []drive.Rail, empty string) []byte {
	for _, a := range axes {
		for _, v := range [4]float64{a.Commanded, a.Predicted, a.Current, a.Peak} {
			dst = appendNumber(append(dst, ','), v, empty)
		}
	}
	for _, s := range supplies {
		for _, v := range [4]float64{s.Voltage, s.Least, s.Current, s.Peak} {
			dst = appendNumber(append(dst, ','), v, empty)
		}
	}
	return dst
}

// WritePredictedCSV writes what the rig will really do at a fixed rate: for each
// axis where the script has it and where it will be, in the units of the
// documents, and its current in amperes, as the mean and the peak since the row
// before; for each supply its voltage and current likewise.
func WritePredictedCSV(w io.Writer, p *interp.Performance, rate float64) error {
	b := bufio.NewWriterSize(w, 64<<10)
	b.WriteString("time")
	for _, name := range predictedColumns(p) {
		b.WriteString("," + name)
	}
	b.WriteString("\n")
	var line []byte
	row := 0
	err := drive.Simulate(p, 1/rate, func(_ float64, axes []drive.Sample, supplies []drive.Rail) error {
		line = appendNumber(line[:0], float64(row)/rate, "") // as in samples: not a sum of steps
		row++
		line = append(appendPredicted(line, axes, supplies, ""), '\n')
		_, err := b.Write(line)
		return err
	})
	if err != nil {
		return err
	}
	return b.Flush()
}

// WritePredictedJSON writes the same as one object: motion, rate_hz, duration_s,
// the names of the columns, and the rows.
func WritePredictedJSON(w io.Writer, p *interp.Performance, rate float64) error {
	b := bufio.NewWriterSize(w, 64<<10)
	head, err := json.Marshal(struct {
		Motion   string   `json:"motion"`
		Rate     float64  `json:"rate_hz"`
		Duration float64  `json:"duration_s"`
		Columns  []string `json:"columns"`
	}{p.Script.Name, rate, p.Length, append([]string{"time"}, predictedColumns(p)...)})
	if err != nil {
		return err
	}
	b.Write(head[:len(head)-1])
	b.WriteString(",\"rows\": [")
	var line []byte
	separator, row := "\n[", 0
	err = drive.Simulate(p, 1/rate, func(_ float64, axes []drive.Sample, supplies []drive.Rail) error {
		line = appendNumber(append(line[:0], separator...), float64(row)/rate, "null")
		row++
		separator = ",\n["
		line = append(appendPredicted(line, axes, supplies, "null"), ']')
		_, err := b.Write(line)
		return err
	})
	if err != nil {
		return err
	}
	b.WriteString("\n]}\n")
	return b.Flush()
}
