package sound

import (
	"bufio"
	"fmt"
	"io"
)

// Seek makes the next Read begin at a frame, counted from 0. r is the file itself,
// from whatever place on; it must be the one that the header was read from. A frame
// after the last one makes the next Read give [io.EOF], once the number of frames is
// known.
func (d *Decoder) Seek(r io.ReadSeeker, frame int64) error {
	if frame < 0 {
		return fmt.Errorf("frame %d is before the sound", frame)
	}
	if d.info.Frames >= 0 {
		frame = min(frame, d.info.Frames)
	}
	at := d.start + frame*int64(d.format.block)
	if _, err := r.Seek(at, io.SeekStart); err != nil {
		return fmt.Errorf("seeking to byte %d of the sound: %w", at, err)
	}
	d.in = source{r: bufio.NewReader(r), pos: at}
	d.err = nil
	if frame == d.info.Frames {
		d.err = io.EOF
	}
	return nil
}
