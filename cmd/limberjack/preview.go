package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"maps"
	"net"
	"net/netip"
	"net/url"
	"os"
	"os/signal"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"github.com/spf13/cobra"

	"limberjack/web"
)

type previewOptions struct {
	file, folder string
	listen       string
	port         int
	cert, key    string
	token        string
	boards       []string
}

func newPreviewCommand() *cobra.Command {
	var o previewOptions
	c := &cobra.Command{
		Use:   "preview MOTION|SHOW",
		Short: "Show a motion or a show in the browser: as it will really move, with its sound",
		Long: `preview serves a page to the browser: the cue sheet, the rig as it will really move,
the sound, and what is wrong with its remedy. It prints the page's address and
follows the files: what an editor saves is read, checked and drawn at once. Files
with errors show their places, and the last good motion stays. Ctrl-C ends it.

It reads the folder of the file and nothing outside it; --folder names a wider one.
It changes no file but a motion that is edited in the page, and a rig that is
calibrated there. New files it writes beside these only: the pace of a motion, where
it has many knots and is accepted in the page, and versions that would else be lost
(NAME.mine-DATE-TIME, NAME.other-DATE-TIME), as when an editor changes the same file.

The page can also rehearse on the real boards. One page drives, the others watch, and
each can stop. A page that is closed, hidden or not heard of for a second stops what
it drives. Ctrl-C is a controlled stop, too: every axis is brought to rest within its
limits before the command ends; Ctrl-C twice drops the pulses now, also of axes that
carry weight, which then fall. These are stops by software, and replace no switch
that cuts the power.

The page may connect to serial ports of this computer (limberjack ports lists them),
and to boards at addresses of this computer or of a private network. --board names
any other place, and has it written in the page already.

Only this computer can open the page. With --listen others can, by a link with a
token; whoever has the link can look, edit and drive the boards. What goes over a
network without --tls-cert and --tls-key can be read there.`,
		Example: `  limberjack preview examples/lighthouse/greet.motion.yaml
  limberjack preview keeper.show.yaml --port 8080
  limberjack preview keeper.show.yaml --listen 192.168.1.20:8443 --tls-cert stage.crt --tls-key stage.key`,
		Args: needs(1, 1, "one motion or show", "limberjack preview greet.motion.yaml"),
		RunE: func(c *cobra.Command, args []string) error {
			o.file = args[0]
			if c.Flags().Changed("listen") && c.Flags().Changed("port") {
				return errors.New("--listen says the port already; leave --port out")
			}
			return runPreview(c.Context(), o, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.listen, "listen", "", "address and port for other computers, as in 192.168.1.20:8080; 0.0.0.0:8080 is all addresses")
	f.IntVar(&o.port, "port", 0, "port on this computer; default: a free one")
	f.StringVar(&o.cert, "tls-cert", "", "certificate (PEM) to serve by HTTPS")
	f.StringVar(&o.key, "tls-key", "", "its key (PEM)")
	f.StringVar(&o.token, "token", "", "token of the link, 16 characters or more; default: a new one with --listen, none otherwise")
	f.StringVar(&o.folder, "folder", "", "folder that may be read; default: that of the file")
	f.StringArrayVar(&o.boards, "board", nil, "NAME=PORT or NAME=ws://…, a place of a board, once for each")
	return c
}

// places gives the places of boards by their names.
func (o previewOptions) places() (map[string]string, error) {
	list := map[string]string{}
	for _, text := range o.boards {
		name, at, ok := strings.Cut(text, "=")
		switch {
		case !ok || name == "" || at == "":
			return nil, fmt.Errorf("--board %s: write NAME=PORT or NAME=ws://…, as in main=/dev/ttyUSB0", text)
		case list[name] != "":
			return nil, fmt.Errorf("--board %s is given twice", name)
		}
		list[name] = at
	}
	return list, nil
}

func runPreview(ctx context.Context, o previewOptions, out, errOut io.Writer) error {
	address, err := o.address()
	if err != nil {
		return err
	}
	if o.token != "" {
		if err := web.CheckToken(o.token); err != nil {
			return fmt.Errorf("--token: %w", err)
		}
	}
	secure, err := o.certificate()
	if err != nil {
		return err
	}
	places, err := o.places()
	if err != nil {
		return err
	}
	tell := func(format string, args ...any) { fmt.Fprintf(errOut, format+"\n", args...) }
	project, err := web.Open(o.folder, o.file, web.Options{Links: linksOf, Tell: tell})
	if err != nil {
		return err
	}
	defer project.Close()
	if err := project.CheckBoards(slices.Sorted(maps.Keys(places))); err != nil {
		return fmt.Errorf("--board: %w", err)
	}
	on, err := net.Listen("tcp", address)
	if err != nil {
		return fmt.Errorf("%s cannot be listened at: %w; another port may be free", address, reason(err))
	}
	defer on.Close()
	access, link := o.access(on.Addr().(*net.TCPAddr).AddrPort(), secure != nil)
	access.Boards = places
	if secure != nil {
		on = tls.NewListener(on, secure)
	} else if access.Token != "" && o.listen != "" {
		tell("the link and what it shows go over the network for everybody there to read; --tls-cert and --tls-key would hide them")
	}
	// Who reads what is told may go before the boards stand still, as when Ctrl-C ends all
	// of a pipeline: writing to nobody must not end this process.
	signal.Ignore(syscall.SIGPIPE)
	interrupted := make(chan os.Signal, 4)
	signal.Notify(interrupted, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer signal.Stop(interrupted)
	server := web.NewServer(project, access, tell)
	ctx, end := context.WithCancel(contextOr(ctx))
	defer end()
	over := make(chan struct{})
	defer close(over)
	go stopPreview(interrupted, over, end, func() { server.Halt(true) })
	fmt.Fprintln(out, link)
	return servePreview(ctx, project, server, on)
}

// stopPreview ends the preview at the first signal, which stops the boards, controlled;
// each further one drops their pulses.
func stopPreview(interrupted <-chan os.Signal, over <-chan struct{}, end, drop func()) {
	for act := end; ; act = drop {
		select {
		case <-interrupted:
			act()
		case <-over:
			return
		}
	}
}

// servePreview follows the files and serves until ctx ends.
func servePreview(ctx context.Context, project *web.Project, server *web.Server, on net.Listener) error {
	ctx, end := context.WithCancel(ctx)
	followed := make(chan struct{})
	go func() {
		defer close(followed)
		project.Follow(ctx)
	}()
	err := server.Serve(ctx, on)
	end()
	<-followed
	return err
}

// address gives the address to listen at.
func (o previewOptions) address() (string, error) {
	if o.listen == "" {
		if o.port < 0 || o.port > 65535 {
			return "", fmt.Errorf("--port is %d; it may be from 1 to 65535, or 0 for a free one", o.port)
		}
		return net.JoinHostPort("127.0.0.1", strconv.Itoa(o.port)), nil
	}
	_, port, err := net.SplitHostPort(o.listen)
	if err != nil {
		return "", fmt.Errorf("--listen is %q; write an address and a port, as in 192.168.1.20:8080", o.listen)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return "", fmt.Errorf("--listen has the port %q; it may be from 1 to 65535, or 0 for a free one", port)
	}
	return o.listen, nil
}

// certificate gives what TLS needs; nil without it.
func (o previewOptions) certificate() (*tls.Config, error) {
	switch {
	case o.cert == "" && o.key == "":
		return nil, nil
	case o.cert == "" || o.key == "":
		return nil, errors.New("--tls-cert and --tls-key go together: a certificate and its key")
	}
	pair, err := tls.LoadX509KeyPair(o.cert, o.key)
	if err != nil {
		return nil, fmt.Errorf("--tls-cert %s, --tls-key %s: %w", o.cert, o.key, err)
	}
	return &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12, NextProtos: []string{"http/1.1"}}, nil
}

// access says by which names the server may be asked, and gives the link to print.
func (o previewOptions) access(at netip.AddrPort, secure bool) (web.Access, string) {
	addr := at.Addr().Unmap()
	a := web.Access{Port: int(at.Port()), TLS: secure, Token: o.token, AnyAddress: addr.IsUnspecified()}
	host := addr.String()
	if addr.IsLoopback() || addr.IsUnspecified() {
		a.Names = append(a.Names, "localhost", "127.0.0.1", "::1")
	}
	a.Names = append(a.Names, host)
	if !addr.IsLoopback() {
		if a.Token == "" {
			a.Token = web.NewToken()
		}
		a.Names = append(a.Names, machineNames()...)
		if named, _, err := net.SplitHostPort(o.listen); err == nil && named != "" && !addr.IsUnspecified() {
			a.Names = append(a.Names, named)
			host = named
		}
	}
	if addr.IsUnspecified() {
		host = firstAddress()
	}
	link := url.URL{Scheme: "http", Host: net.JoinHostPort(host, strconv.Itoa(a.Port)), Path: "/"}
	if secure {
		link.Scheme = "https"
	}
	if a.Token != "" {
		link.RawQuery = url.Values{"token": {a.Token}}.Encode()
	}
	return a, link.String()
}

// machineNames gives the names by which others on the network may know this machine.
func machineNames() []string {
	name, err := os.Hostname()
	if err != nil || name == "" {
		return nil
	}
	return []string{name, name + ".local"}
}

// firstAddress gives an address of this machine that others can reach, or that of
// itself where it has none.
func firstAddress() string {
	list, err := net.InterfaceAddrs()
	if err != nil {
		return "127.0.0.1"
	}
	for _, a := range list {
		if n, ok := a.(*net.IPNet); ok && n.IP.IsGlobalUnicast() && n.IP.To4() != nil {
			return n.IP.String()
		}
	}
	return "127.0.0.1"
}
