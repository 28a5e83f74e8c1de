//go:build !darwin || cgo

package live

import "go.bug.st/serial/enumerator"

// listPorts asks the system for its ports, with what is known of them by USB.
func listPorts() ([]Port, error) {
	list, err := enumerator.GetDetailedPortsList()
	if err != nil {
		return nil, err
	}
	out := make([]Port, 0, len(list))
	for _, p := range list {
		out = append(out, Port{Path: p.Name, USB: p.IsUSB, Vendor: p.VID, Product: p.PID, Serial: p.SerialNumber, Name: p.Product})
	}
	return out, nil
}
