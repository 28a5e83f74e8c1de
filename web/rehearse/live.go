package rehearse

// Live reports whether pulses leave, or are about to: then nothing else should keep the
// processors busy.
func (d *Desk) Live() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.wheel.live
}
