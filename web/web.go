// Package web serves a motion or a show to a browser: what the files say, what the
// rig will really do, what the check found, and the sound.
//
// A Project follows files on disk. Each change is loaded, compiled, played on the
// drive model and checked; the page hears of it by a socket. A file that is broken
// gives problems with their places, and the last good motion stays. A Server hands
// that out over HTTP, to its own page and to no other: API.md has every endpoint,
// message and limit.
//
// Motions are changed in their own text, and nothing outside the project's folder is
// read or written.
// Whatever a file holds, the server goes on: the readers' bounds hold, what would
// take too long or too much room is refused, and a fault in the program itself
// becomes a problem of that file.
package web
