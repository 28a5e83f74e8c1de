package live

import (
	"cmp"
	"slices"
)

// Port is a serial port of this computer.
type Port struct {
	Path    string `json:"port"`
	USB     bool   `json:"usb"`
	Vendor  string `json:"vendor_id"`  // hexadecimal; empty where it is no USB port
	Product string `json:"product_id"` // hexadecimal
	Serial  string `json:"serial_number"`
	Name    string `json:"name"` // of the product, where the system tells it
}

// Ports lists the serial ports, in order of their paths. Pseudo-terminals are not
// among them.
func Ports() ([]Port, error) {
	list, err := listPorts()
	if err != nil {
		return nil, &LinkError{Link: "the serial ports", Text: "they cannot be listed", Hint: "name the port, as in /dev/ttyUSB0", Err: err}
	}
	slices.SortFunc(list, func(a, b Port) int { return cmp.Compare(a.Path, b.Path) })
	return list, nil
}
