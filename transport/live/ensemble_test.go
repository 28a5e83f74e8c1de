package live

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"limberjack/transport/timeline"
	"limberjack/transport/wire"
)

// TestEnsemble connects to two boards by their places, stops them, and closes all while they
// are being stopped: both have heard the stop all the same.
func TestEnsemble(t *testing.T) {
	leaks(t)
	rig, tls := load(t, twoBoards, twoMotion)
	var e Ensemble
	t.Cleanup(e.Close)
	var ps []*prop
	for i, b := range rig.Boards {
		p := newProp(t, rig, b, nil)
		ps = append(ps, p)
		at := []string{p.path, p.url}[i]
		if err := e.Connect(t.Context(), context.Background(), PlaceOf(b, at, 0), Options{Timeline: tls[i]}); err != nil {
			t.Fatal(err)
		}
	}
	if lost := e.Armed(); lost == nil || lost.Board != "main" || e.AnyArmed() {
		t.Errorf("before it is armed: %v", lost)
	}
	stopped, cancel := context.WithCancel(t.Context())
	cancel()
	if err := e.Arm(stopped); err == nil || e.AnyArmed() {
		t.Errorf("armed after it was stopped: %v", err)
	}
	if err := e.Arm(t.Context()); err != nil {
		t.Fatal(err)
	}
	if lost := e.Armed(); lost != nil || !e.AnyArmed() {
		t.Errorf("armed: %v", lost)
	}
	ended := make(chan error, 1)
	go func() { ended <- e.Play(context.Background(), tls, PlayOptions{Rounds: Forever}) }()
	for _, p := range ps {
		eventually(t, 10*time.Second, "a board plays", func() bool { return p.server.State() == wire.StatePlaying })
	}
	done := e.Halt(false, func(err error) { t.Error(err) })
	e.Close()
	select {
	case <-done:
	default:
		t.Error("it was closed before all had stopped")
	}
	if err := <-ended; !errors.Is(err, ErrStopped) && !errors.Is(err, ErrClosed) {
		var lost *LostError
		if !errors.As(err, &lost) {
			t.Errorf("Play gives %v", err)
		}
	}
	for _, p := range ps {
		if st := p.server.State(); st != wire.StateStopped {
			t.Errorf("a board is %v", st)
		}
	}
	e.Halted()
}

// TestBack says what was let go by a stop.
func TestBack(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	p := newProp(t, rig, rig.Boards[0], nil)
	var e Ensemble
	t.Cleanup(e.Close)
	e.Add(connect(t, p.serial(t, 115200), Options{Timeline: tl}))
	if err := e.Arm(t.Context()); err != nil {
		t.Fatal(err)
	}
	<-e.Halt(false, func(err error) { t.Error(err) })
	loose, err := e.Back(t.Context())
	if err != nil || !slices.Contains(loose, "lid at rest") || slices.ContainsFunc(loose, func(s string) bool { return strings.HasPrefix(s, "arm") }) {
		t.Errorf("after a stop, in which only the arm is held: %q, %v", loose, err)
	}
	if q := AgainQuestion(loose); !strings.Contains(q, "lid at rest") || !strings.Contains(AgainQuestion(nil), "has held its place") {
		t.Errorf("the question is %q", q)
	}
}

// TestSuits plays timelines on a board that was set up for another one.
func TestSuits(t *testing.T) {
	leaks(t)
	rig, tl := keeper(t)
	motion := fmt.Sprintf(keeperMotion, "1.6s")
	_, quick := load(t, keeperRig, strings.Replace(motion, "[0.4s, 10deg, min-jerk]", "[0.04s, 10deg, linear]", 1))
	_, other := load(t, strings.Replace(keeperRig, "2100us", "2110us", 1), motion)
	_, slow := load(t, keeperRig, strings.Replace(motion, "[0.4s, 10deg, min-jerk]", "[0.4s, 5deg, min-jerk]", 1))
	p := newProp(t, rig, rig.Boards[0], nil)
	suits := func(what string, b *Board, tl *timeline.Timeline, says string) {
		t.Helper()
		err := b.Suits(tl)
		var no *UnsuitedError
		if says == "" && err != nil || says != "" && (!errors.As(err, &no) || !strings.Contains(err.Error(), says)) {
			t.Errorf("%s: %v", what, err)
		}
	}
	b := connect(t, p.socket(t), Options{Timeline: tl})
	suits("its own", b, tl, "")
	suits("a slower one", b, slow[0], "")
	suits("a quick one", b, quick[0], "jaw changes by")
	suits("another rig", b, other[0], "calibrations or boards have changed")
	b.Close()
	b = connect(t, p.socket(t), Options{Timeline: tl, Also: []*timeline.Timeline{quick[0], other[0]}})
	suits("its own", b, tl, "")
	suits("a quick one that it was set up for, too", b, quick[0], "")
	if err := b.Arm(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	if err := Play(t.Context(), []*Board{b}, quick, PlayOptions{}); err != nil {
		t.Fatal(err)
	}
	if st, err := b.Report(t.Context()); err != nil || st.Clamped > 0 {
		t.Errorf("the board cut %d values of it: %v", st.Clamped, err)
	}
}

// TestPlace: what is no place of a board is said so, with what would be one.
func TestPlace(t *testing.T) {
	rig, _ := keeper(t)
	b := rig.Boards[0]
	if p := PlaceOf(b, "/dev/ttyUSB0", 0); p.Baud != 115200 { // the rig's
		t.Errorf("%+v", p)
	}
	if p := PlaceOf(b, "/dev/ttyUSB0", 9600); p.Baud != 9600 {
		t.Errorf("%+v", p)
	}
	for _, c := range []struct {
		place Place
		says  string
	}{
		{Place{At: "http://keeper.local/"}, "begins with ws:// or wss://"},
		{Place{At: "keeper.local:8090", Address: true}, "as in ws://keeper.local:8090/"},
		{Place{At: "/nowhere/port", Baud: 9600}, "/nowhere/port"},
	} {
		if _, err := c.place.Dial(t.Context()); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v", c.place, err)
		}
	}
}

// TestEndsSwap reverses an axis whose ends are confirmed.
func TestEndsSwap(t *testing.T) {
	e := NewEnds(1500, 500, 2500)
	if e.Swap() == nil {
		t.Error("ends that nobody confirmed change places")
	}
	for _, pulse := range []float64{1490, 1480, 1470, 1460, 1450, 1440} {
		e.Reached(pulse)
	}
	e.Confirm(LowEnd)
	e.Reached(1510)
	e.Confirm(HighEnd)
	if err := e.Swap(); err != nil {
		t.Fatal(err)
	}
	if low, high, err := e.Pulses(); low != 1510 || high != 1440 || err != nil {
		t.Errorf("%v to %v us, %v", low, high, err)
	}
	least, most := e.Range()
	if us, sure := e.Confirmed(LowEnd); least != 1440 || most != 1510 || us != 1510 || !sure {
		t.Errorf("%v to %v us; %v %v", least, most, us, sure)
	}
}

// TestNear: the networks that are nobody else's, by the RFCs that set them apart.
func TestNear(t *testing.T) {
	for at, want := range map[string]bool{
		"127.0.0.1": true, "::1": true, // RFC 1122, RFC 4291
		"10.1.2.3": true, "172.16.0.1": true, "172.31.255.255": true, "192.168.4.1": true, // RFC 1918
		"172.32.0.1": false, "192.169.0.1": false, "11.0.0.1": false,
		"fd12:3456::1": true, "fe00::1": false, // RFC 4193
		"169.254.7.7": true, "fe80::1": true, "fe80::1%eth0": true, // RFC 3927, RFC 4291
		"192.0.2.1": false, "2001:db8::1": false, "8.8.8.8": false, // RFC 5737, RFC 3849
		"::ffff:192.168.4.1": true, "::ffff:8.8.8.8": false, // an IPv4 address as IPv6 has it
		"0.0.0.0": false, "224.0.0.1": false, "255.255.255.255": false,
	} {
		if got := Near(netip.MustParseAddr(at)); got != want {
			t.Errorf("%s: %v", at, got)
		}
	}
}
