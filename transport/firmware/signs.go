package firmware

import "strings"

// lightText says what the light of a board with a card says: LJ_CODE_x in lj_show.h.
const lightText = `LIGHT
On all the time, the show runs. Otherwise it blinks, and after a pause again:
  once       there is no card, or it does not answer
  2 times    the card has no FAT16 or FAT32 volume with a show in it
  3 times    the show is not for this board, or of another version
  4 times    a file of the show was changed or cut: write the card anew
  5 times    the show has more triggers than the board has memory for
  6 times    three resets in a minute: take the power off, and look at the supply
  7 times    stopped, or a host has the board
  8 times    the show runs, and sectors of the card were left out: renew the card
`

// resetText says what a bootloader costs, how the running hours are read, and how fast a
// board plays.
const resetText = `RESETS
After three brown-outs or resets by the watchdog within a minute the board does nothing
until its power has been off: a supply that sags under the load would sag again. Many
bootloaders, the Uno's among them, hide what a reset was: then no reset counts, and a
supply that sags makes the board start over and over. Where nobody watches the prop,
write the program by a programmer, without a bootloader. Opening the port resets most
boards.
A loss of power counts, too, when it comes within a minute after a start and is so short
that the chip's memory outlives it: mostly a second, longer in the cold; no data sheet
says. After a longer one the board cannot know of those before, and begins to count
anew: nothing is written for it, since EEPROM would wear out. So a supply that gives up
for seconds at a time is not found by this. Whoever switches a board off that has stopped
for its resets should wait a minute before, or leave it off for half a minute.

RUNNING HOURS
The chip counts the hours in which it has outputs on, in its EEPROM. Read it with
  avrdude %s -U eeprom:r:%s.eep:r
The first 64 bytes are 16 records of 4: the hours in three bytes, least first, and their
CRC-8 (polynomial 0x07). A record of h hours stands at place h modulo 16. The greatest of
those that are right, and in their place, and follow another, are the hours. Bytes of
0xff are empty.

LIMITS
Frames a second: up to 128 with 12 outputs, 350 with four or less (122 with a PWM driver,
which needs 26.4 at least). Above about 150 a pulse may begin up to 0.4 ms late while the
card is read; widths stay exact.
`

// chipFlag gives avrdude's arguments.
func (p *Port) chipFlag() string { return strings.TrimSpace(p.controller.flash) }
