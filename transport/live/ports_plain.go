//go:build darwin && !cgo

package live

import "go.bug.st/serial"

// listPorts asks the system for its ports. What USB knows of them takes a C
// compiler here.
func listPorts() ([]Port, error) {
	names, err := serial.GetPortsList()
	if err != nil {
		return nil, err
	}
	out := make([]Port, 0, len(names))
	for _, name := range names {
		out = append(out, Port{Path: name})
	}
	return out, nil
}
