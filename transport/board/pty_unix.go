//go:build linux || darwin || dragonfly || freebsd || netbsd || openbsd

package board

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// look is how often it is seen whether somebody has opened or closed the port.
const look = 5 * time.Millisecond

// ServePTY makes a pseudo-terminal and serves whoever opens it, until ctx ends or
// the server is closed; then it gives the context's error, or nil. ready is given
// the path of the port each time that there is one: at first, and after a cut, when it
// is another one, unless a name is given: then a symbolic link of this name points to
// the port, and ready gets the name. What the board says while nobody has the port
// open is lost.
func (s *Server) ServePTY(ctx context.Context, name string, ready func(path string)) error {
	within, cancel := s.within(ctx)
	defer cancel()
	for within.Err() == nil {
		if d := s.out(); d > 0 {
			wait(within, d)
			continue
		}
		if err := s.port(within, name, ready); err != nil {
			return err
		}
	}
	return ctx.Err()
}

func wait(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

// port serves one pseudo-terminal until the cable is cut.
func (s *Server) port(ctx context.Context, name string, ready func(path string)) error {
	master, path, err := openPort()
	if err != nil {
		return err
	}
	defer master.Close()
	if name != "" {
		if err := point(name, path); err != nil {
			return err
		}
		defer os.Remove(name)
		path = name
	}
	stop := context.AfterFunc(ctx, func() { master.Close() })
	defer stop()
	if ready != nil {
		ready(path)
	}
	for s.out() <= 0 && ctx.Err() == nil {
		if !opened(master) {
			wait(ctx, look)
		} else if !s.talk(master) {
			break
		}
	}
	return nil
}

// talk serves one host from when it opens the port to when it closes it, and is false
// where the board's end was closed instead.
func (s *Server) talk(master *os.File) bool {
	l := newLink(s.opt.Faults, func(b []byte) error {
		// Nobody reads: a serial line does not wait for that.
		master.SetWriteDeadline(time.Now().Add(50 * time.Millisecond))
		if _, err := master.Write(b); err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			return err
		}
		return nil
	}, func() { master.SetReadDeadline(time.Unix(1, 0)) })
	l.bytes = byteTime(s.opt.Baud)
	master.SetReadDeadline(time.Time{})
	if !s.attach(l) {
		return false
	}
	defer s.detach(l)
	s.opening()
	err := s.readSerial(l, master)
	return err != nil && !errors.Is(err, os.ErrDeadlineExceeded)
}

// openPort makes a pseudo-terminal that leaves bytes as they are, and whose reads
// can be ended.
func openPort() (*os.File, string, error) {
	first, slave, err := pty.Open()
	if err != nil {
		return nil, "", fmt.Errorf("no pseudo-terminal can be made: %w", err)
	}
	defer first.Close()
	defer slave.Close()
	if err := raw(int(slave.Fd())); err != nil {
		return nil, "", fmt.Errorf("the pseudo-terminal %s cannot be set to raw bytes: %w", slave.Name(), err)
	}
	fd, err := syscall.Dup(int(first.Fd()))
	if err != nil {
		return nil, "", err
	}
	syscall.CloseOnExec(fd)
	if err := syscall.SetNonblock(fd, true); err != nil {
		syscall.Close(fd)
		return nil, "", err
	}
	return os.NewFile(uintptr(fd), "pty"), slave.Name(), nil
}

// raw sets a terminal so that it leaves bytes as they are.
func raw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, getTerminal)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag = t.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, setTerminal, t)
}

// opened says whether somebody has the port open: the other end of a pseudo-terminal
// hangs up when the last one closes it.
func opened(master *os.File) (open bool) {
	c, err := master.SyscallConn()
	if err != nil {
		return false
	}
	c.Control(func(fd uintptr) {
		poll := []unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}
		_, err := unix.Poll(poll, 0)
		open = err == nil && poll[0].Revents&unix.POLLHUP == 0
	})
	return open
}

// point makes a symbolic link, in place of one that there is. Anything else of that
// name is left alone.
func point(name, path string) error {
	if old, err := os.Lstat(name); err == nil {
		if old.Mode()&os.ModeSymlink == 0 {
			return fmt.Errorf("%s is there already and no link: give the port another name", name)
		}
		if err := os.Remove(name); err != nil {
			return err
		}
	}
	return os.Symlink(path, name)
}
