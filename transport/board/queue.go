package board

import "limberjack/transport/wire"

// queue holds frames by their indices, from the next to play on. A frame's values
// stand where its index puts it, so that frames may come in any order, or twice,
// and leave holes.
type queue struct {
	entries []entry
	values  []uint16 // width a frame
	width   int      // values that there is memory for
	head    int      // place of the next to play
	next    wire.Index
	count   int
	first   int // how far the first queued frame is ahead of next; only where there is one
}

type entry struct {
	time    int64 // us since power-up
	present bool
	late    bool // its time had passed when it came
}

func newQueue(depth, width int) queue {
	return queue{entries: make([]entry, depth), values: make([]uint16, depth*width), width: width}
}

func (q *queue) place(ahead int) int { return (q.head + ahead) % len(q.entries) }

func (q *queue) time(ahead int) int64 { return q.entries[q.place(ahead)].time }

// late says whether the first queued frame came late.
func (q *queue) late() bool { return q.entries[q.place(q.first)].late }

func (q *queue) row(ahead int) []uint16 {
	i := q.place(ahead) * q.width
	return q.values[i : i+q.width]
}

// put adds a frame that is ahead of next by less than the depth, and gives the
// memory of its values. A frame that comes again takes the place of the first.
func (q *queue) put(ahead int, time int64, late bool) []uint16 {
	e := &q.entries[q.place(ahead)]
	if q.count == 0 || ahead < q.first {
		q.first = ahead
	}
	if !e.present {
		q.count++
	}
	*e = entry{time, true, late}
	return q.row(ahead)
}

// skip goes on to the next frame, and drops the one that was to be played.
func (q *queue) skip() {
	if e := &q.entries[q.head]; e.present {
		e.present = false
		q.count--
	}
	q.head, q.next = q.place(1), q.next+1
	q.first--
	if q.count > 0 && q.first < 0 {
		q.first = 0
		for !q.entries[q.place(q.first)].present {
			q.first++
		}
	}
}

// cut drops all frames that are at least so far ahead of next.
func (q *queue) cut(ahead int) {
	for i := max(0, ahead); i < len(q.entries); i++ {
		if e := &q.entries[q.place(i)]; e.present {
			e.present = false
			q.count--
		}
	}
}

// clear drops all frames and goes on with another index.
func (q *queue) clear(next wire.Index) {
	q.cut(0)
	q.next = next
}

// shift moves the times of all frames.
func (q *queue) shift(us int64) {
	for i := range q.entries {
		q.entries[i].time += us
	}
}
