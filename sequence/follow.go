package sequence

import (
	"slices"
	"strings"

	"gopkg.in/yaml.v3"
)

// follow reads what motions come after; nodes are in the order of the motions, nil where
// one has no after.
func (d *decoder) follow(motions []*ShowMotion, nodes []*yaml.Node, byName index[*ShowMotion]) {
	next := map[*ShowMotion]*ShowMotion{} // what starts at the end of a motion
	for i, sm := range motions {
		if nodes[i] == nil {
			continue
		}
		what := "after of motion " + sm.Name
		items := []*yaml.Node{nodes[i]}
		if nodes[i].Kind == yaml.SequenceNode {
			items = d.items(nodes[i], what)
		}
		if len(items) == 0 {
			d.bad(nodes[i], "write for example after: "+motions[0].Name, "%s names no motion", what)
			sm.caused = true
		}
		for _, n := range items {
			before, ok := lookup(d, n, what, "motion", byName)
			if !ok || !d.mayFollow(n, sm, before, next) {
				sm.caused = true // the rest of it has been said
				continue
			}
			sm.After = append(sm.After, before)
		}
	}
}

// mayFollow says whether a motion can come after another, and reports why not. next has
// what follows each motion so far.
func (d *decoder) mayFollow(n *yaml.Node, sm, before *ShowMotion, next map[*ShowMotion]*ShowMotion) bool {
	first := next[before]
	switch {
	case sm == before:
		d.bad(n, "write loop: true to play it over and over", "the motion %s cannot come after itself", sm.Name)
		return false
	case before.Loop:
		d.bad(n, "name a motion that ends, or take loop out of "+before.Name, "%s plays over and over and never ends, so that %s never comes after it", before.Name, sm.Name)
		return false
	case slices.Contains(sm.After, before):
		d.bad(n, "keep one of them", "after of motion %s names %s twice", sm.Name, before.Name)
		return false
	case first == nil:
		next[before] = sm
	case sm.policy && sm.WhileBusy != BusyWait:
		d.bad(n, "write after: "+first.Name+", or while_busy: wait", "%s and %s both come after %s, and only the first of them can start", first.Name, sm.Name, before.Name)
		return false
	}
	return true
}

// unstarted reports motions that nothing starts: neither a cause of their own nor a motion
// before them that has one.
func (d *decoder) unstarted(s *Show) {
	started := map[*ShowMotion]bool{}
	for _, sm := range s.Motions {
		started[sm] = sm.caused || sm == s.Start
	}
	for changed := true; changed; {
		changed = false
		for _, sm := range s.Motions {
			if !started[sm] && slices.ContainsFunc(sm.After, func(m *ShowMotion) bool { return started[m] }) {
				started[sm], changed = true, true
			}
		}
	}
	for _, sm := range s.Motions {
		if started[sm] {
			continue
		}
		if len(sm.After) == 0 {
			d.report.add(sm.At, "give it a trigger, every: [4s, 9s], a motion to come after, or start: {play: "+sm.Name+"}", "nothing starts the motion %s", sm.Name)
			continue
		}
		// What only hangs on a ring is not told: the ring is.
		if names := ringOf(sm); names != nil {
			d.report.add(sm.At, "start one of them: start: {play: "+sm.Name+"}, a trigger, or every: [4s, 9s]", "%s come after each other in a ring, and nothing starts it", strings.Join(names, ", "))
			for m := sm; !started[m]; m = m.After[0] {
				started[m] = true // once is enough
			}
		}
	}
}

// ringOf gives the names of the ring that leads from a motion back to it; nil where none
// does.
func ringOf(sm *ShowMotion) []string {
	seen := map[*ShowMotion]bool{}
	names := []string{sm.Name}
	for m := sm; len(m.After) > 0 && !seen[m]; {
		seen[m] = true
		if m = m.After[0]; m == sm {
			return names
		}
		names = append(names, m.Name)
	}
	return nil
}
