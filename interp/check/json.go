package check

import (
	"encoding/json"
	"io"
	"math"
)

// number is a float that JSON can hold: what is not finite becomes null.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(n)) || math.IsInf(float64(n), 0) {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

type findingJSON struct {
	Level   string `json:"level"`
	Rule    string `json:"rule"`
	Axis    string `json:"axis"`
	Supply  string `json:"supply"`
	File    string `json:"file"`
	Line    int    `json:"line"`
	Column  int    `json:"column"`
	From    number `json:"from_s"`
	To      number `json:"to_s"`
	Value   number `json:"value"`
	Limit   number `json:"limit"`
	Unit    string `json:"unit"`
	Message string `json:"message"`
	Remedy  string `json:"remedy"`
}

type axisJSON struct {
	Axis             string `json:"axis"`
	PeakSpeed        number `json:"peak_speed"`
	PeakAcceleration number `json:"peak_acceleration"`
	PeakJerk         number `json:"peak_jerk"`
	Min              number `json:"min"`
	Max              number `json:"max"`
	Unit             string `json:"unit"`
	Travelled        number `json:"travelled"`
}

type supplyJSON struct {
	Supply     string   `json:"supply"`
	Peak       number   `json:"peak_a"`
	Sustained  number   `json:"sustained_a"`
	RMS        number   `json:"rms_a"`
	Mean       number   `json:"mean_a"`
	PeakAt     number   `json:"peak_at_s"`
	Limit      *number  `json:"limit_a"`
	MinVoltage number   `json:"min_v"`
	Energy     number   `json:"energy_wh"`
	Runs       *number  `json:"runs_per_charge"`
	Blame      []string `json:"blame"`
}

type boardJSON struct {
	Board      string  `json:"board"`
	Bytes      number  `json:"bytes_per_s"`
	LinkShare  *number `json:"link_share"`
	Resolution number  `json:"resolution"`
}

type reportJSON struct {
	File     string        `json:"file"`
	Duration number        `json:"duration_s"`
	OK       bool          `json:"ok"`
	Findings []findingJSON `json:"findings"`
	Axes     []axisJSON    `json:"axes"`
	Supplies []supplyJSON  `json:"supplies"`
	Boards   []boardJSON   `json:"boards"`
}

func known(v float64) *number {
	if v <= 0 {
		return nil
	}
	n := number(v)
	return &n
}

func (r *Report) json() reportJSON {
	out := reportJSON{File: r.File, Duration: number(r.Duration), OK: r.OK(), Findings: []findingJSON{}, Axes: []axisJSON{}, Supplies: []supplyJSON{}, Boards: []boardJSON{}}
	for _, f := range r.Findings {
		out.Findings = append(out.Findings, findingJSON{f.Level.String(), f.Rule, f.Axis, f.Supply, f.At.File, f.At.Line, f.At.Column,
			number(f.From), number(f.To), number(f.Value), number(f.Limit), f.Unit, f.Message, f.Remedy})
	}
	for _, a := range r.Axes {
		out.Axes = append(out.Axes, axisJSON{a.Axis, number(a.PeakSpeed), number(a.PeakAcceleration), number(a.PeakJerk), number(a.Min), number(a.Max), a.Unit, number(a.Travelled)})
	}
	for _, s := range r.Supplies {
		out.Supplies = append(out.Supplies, supplyJSON{s.Supply, number(s.Peak), number(s.Sustained), number(s.RMS), number(s.Mean), number(s.PeakAt), known(s.Limit), number(s.MinVoltage), number(s.Energy), known(s.Runs), append([]string{}, s.Blame...)})
	}
	for _, b := range r.Boards {
		out.Boards = append(out.Boards, boardJSON{b.Board, number(b.BytesPerSecond), known(b.LinkShare), number(b.Resolution)})
	}
	return out
}

// WriteJSON writes one report as an object, several as a list of them.
func WriteJSON(w io.Writer, reports ...*Report) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if len(reports) == 1 {
		return e.Encode(reports[0].json())
	}
	list := make([]reportJSON, len(reports))
	for i, r := range reports {
		list[i] = r.json()
	}
	return e.Encode(list)
}
