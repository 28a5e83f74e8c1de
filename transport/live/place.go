package live

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"syscall"

	"limberjack/sequence"
)

// usualBaud is the data rate of a serial port in bits a second where nobody gives one
// (common practice).
const usualBaud = 115200

// Place is where a board is reached.
type Place struct {
	At      string // a serial port, as /dev/ttyUSB0, or an address, as ws://keeper.local:8090/
	Baud    int    // bits a second of a serial port
	Address bool   // At is to be an address: a port is refused
	Near    bool   // an address has to be Near: any other is ErrFar
}

// ErrFar is a place that is not Near, where it has to be.
var ErrFar = errors.New("the address is neither of this computer nor of a private network")

// Near says whether an address is of this computer or of a network that is nobody else's:
// loopback, private (RFC 1918, RFC 4193) and link-local (RFC 3927, RFC 4291).
func Near(at netip.Addr) bool {
	at = at.Unmap()
	return at.IsLoopback() || at.IsPrivate() || at.IsLinkLocalUnicast()
}

// nearOnly refuses to connect to an address that is not Near. It sees what a name was
// looked up as, whatever the name says (net.Dialer.Control).
func nearOnly(_, address string, _ syscall.RawConn) error {
	at, err := netip.ParseAddrPort(address)
	if err != nil || !Near(at.Addr()) {
		return ErrFar
	}
	return nil
}

// PlaceOf gives the place of a rig's board. baud 0 is the rig's data rate, or the usual
// one.
func PlaceOf(b *sequence.Board, at string, baud int) Place {
	switch {
	case baud > 0:
	case b.Baud.Given():
		baud = int(b.Baud.V)
	default:
		baud = usualBaud
	}
	return Place{At: at, Baud: baud}
}

// Dial opens a link to the place. The error says what would work.
func (p Place) Dial(ctx context.Context) (Link, error) {
	if scheme, _, ok := strings.Cut(p.At, "://"); ok {
		if scheme != "ws" && scheme != "wss" {
			return nil, fmt.Errorf("%s is no address of a board: it begins with ws:// or wss://, as in ws://keeper.local:8090/", p.At)
		}
		if p.Near {
			return openWebSocket(ctx, p.At, nearOnly)
		}
		return OpenWebSocket(ctx, p.At)
	}
	if p.Address {
		return nil, fmt.Errorf("%s is no address of a board: it begins with ws:// or wss://, as in ws://%s/", p.At, p.At)
	}
	return OpenSerial(p.At, p.Baud)
}
