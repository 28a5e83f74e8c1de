package main

import (
	"fmt"
	"io"
	"sync"

	"limberjack/interp"
	"limberjack/interp/check"
	"limberjack/interp/drive"
	"limberjack/sequence"
	"limberjack/transport/timeline"
)

// compileMotion loads and compiles a motion file.
func compileMotion(file string) (*interp.Performance, error) {
	s, err := sequence.LoadMotion(openFile, file)
	if err != nil {
		return nil, err
	}
	return interp.Compile(s)
}

// predict runs the drive model, the supplies side by side, since they do not know
// of one another.
func predict(p *interp.Performance) *drive.Trace {
	trace, parts := drive.Parts(p)
	var wait sync.WaitGroup
	for _, part := range parts {
		wait.Go(part)
	}
	wait.Wait()
	return trace
}

// pulsesOf makes a motion into pulses. One that runs into an end stop is refused;
// how many other errors the check finds is told.
func pulsesOf(file string, errOut io.Writer) (*interp.Performance, []*timeline.Timeline, error) {
	p, err := compileMotion(file)
	if err != nil {
		return nil, nil, err
	}
	if err := refuseTravel(checkPerformance(p, predict(p)), file, "", errOut); err != nil {
		return nil, nil, err
	}
	lines, err := timeline.Build(p)
	return p, lines, err
}

// refuseTravel refuses what runs into an end stop by its report; how many other errors that
// has, and in what, is told.
func refuseTravel(report *check.Report, file, in string, errOut io.Writer) error {
	if refused := travelFindings(report); len(refused) > 0 {
		for _, f := range refused {
			fmt.Fprintf(errOut, "%s: %s; %s\n", f.At, f.Message, f.Remedy)
		}
		return errFindings
	}
	if n := report.Count(check.Error); n > 0 {
		fmt.Fprintf(errOut, "%s has %d findings at error level%s; limberjack check shows them\n", file, n, in)
	}
	return nil
}

// travelFindings gives the findings for which no pulse may be made.
func travelFindings(r *check.Report) []check.Finding {
	var list []check.Finding
	for _, f := range r.Findings {
		if f.Rule == "travel" && f.Level == check.Error {
			list = append(list, f)
		}
	}
	return list
}
