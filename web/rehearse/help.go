package rehearse

import (
	"strings"

	"limberjack/transport/wire"
)

// helps say what would help where a board was lost, by what is told of that. The first
// that fits counts.
var helps = []struct{ told, help string }{
	{wire.CauseResets.Meaning(), "Switch its power off and on, and find out why it is reset: most often the supply sags under the servos."},
	{wire.ResetBrownout.Meaning(), "The load was too much for it: a stronger supply, shorter and thicker leads, or a supply of its own for the board would help."},
	{wire.ResetWatchdog.Meaning(), "Its program hung. Put the firmware on it anew; if it happens again, tell whoever made it."},
	{wire.ResetPower.Meaning(), "Its power was off: look at plugs, switches and fuses."},
	{"reset", "It began anew: look at its supply and its cable. Opening a serial port from another program resets many boards, too."},
	{wire.CauseInput.Meaning(), "Somebody pressed the stop at the board. Let it go when all is clear."},
	{"no word from this computer", "The link was slow, or this computer was busy. A cable is surer than a network; close what else is running."},
	{"nothing was heard", "Look at its power and its link. It is looked for without your doing."},
	{"connection", "Look at its cable, its power and its network. It is looked for without your doing."},
}

// helpFor gives what would help after a loss; empty: nobody knows.
func helpFor(why string) string {
	for _, h := range helps {
		if strings.Contains(why, h.told) {
			return h.help
		}
	}
	return ""
}
