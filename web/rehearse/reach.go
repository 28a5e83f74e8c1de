package rehearse

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"limberjack/transport/live"
)

// reach is where boards may be that a page names: whoever may drive could else have this
// computer open any file and ask any machine. It is one rule for all pages, whoever may
// open them.
//
//   - A place that was given by who started the program, whatever it is.
//   - A serial port that the system lists as such.
//   - An address of this computer or of a network of its own (live.Near).
type reach struct {
	given map[string]string // places by the rig's names of boards
	ports func() ([]live.Port, error)
}

// dial opens a link to a place.
func (r reach) dial(ctx context.Context, place live.Place) (live.Link, error) {
	if slices.Contains(slices.Collect(maps.Values(r.given)), place.At) {
		return place.Dial(ctx)
	}
	if strings.Contains(place.At, "://") {
		place.Near = true
		link, err := place.Dial(ctx)
		if errors.Is(err, live.ErrFar) {
			return nil, fmt.Errorf("%s is neither this computer nor in a network of its own; the page may connect there if preview was started with --board NAME=%s", place.At, place.At)
		}
		return link, err
	}
	ports, err := r.ports()
	if err != nil {
		return nil, err
	}
	if !listed(place.At, ports) {
		return nil, fmt.Errorf("%s is no serial port of this computer%s; a place of another kind is given when preview is started, by --board NAME=%s", place.At, those(ports), place.At)
	}
	return place.Dial(ctx)
}

// listed says whether a path is one of some ports, or a link to one, such as those of
// /dev/serial/by-id.
func listed(path string, ports []live.Port) bool {
	is := func(path string) bool {
		return slices.ContainsFunc(ports, func(p live.Port) bool { return p.Path == path })
	}
	if is(path) {
		return true
	}
	to, err := filepath.EvalSymlinks(path)
	return err == nil && strings.HasPrefix(filepath.Clean(path), "/dev/") && is(to)
}

func those(ports []live.Port) string {
	if len(ports) == 0 {
		return ", which has none"
	}
	var list []string
	for _, p := range ports {
		list = append(list, p.Path)
	}
	return ", which has " + strings.Join(list, ", ")
}
