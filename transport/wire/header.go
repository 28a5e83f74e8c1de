package wire

import _ "embed" // for Header

// Header is the text of limberjack_wire.h, the numbers of the messages for boards whose
// program is in C.
//
//go:embed limberjack_wire.h
var Header string
