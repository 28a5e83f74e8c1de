// The shapes that the parts of the page share. Times are seconds of performance
// time, lengths millimetres, angles degrees, currents amperes, voltages volts.
// This file has no code: the comments are read by the TypeScript compiler.

/**
 * A mistake in one of the user's files.
 * @typedef {object} Problem
 * @property {string} file
 * @property {number} line    from 1; 0 where the whole file is meant
 * @property {number} column  from 1; 0 where the whole line is meant
 * @property {string} text
 * @property {string} hint    what would work, or ""
 */

/**
 * A motion as the project lists it.
 * @typedef {object} MotionEntry
 * @property {string} name      the key in a show, else the file's name without its ending
 * @property {string} title     the name that the file gives itself
 * @property {string} file
 * @property {string} revision  changes with every good version
 * @property {"good"|"broken"|"absent"|"loading"} state  broken: the last good version is served; absent: there never was one
 * @property {boolean} passes
 * @property {number} errors
 * @property {number} warnings
 * @property {number} length    s
 * @property {string} [text]    revision of the file's text
 * @property {boolean} [saved]  whether the file has that text
 * @property {Conflict|null} [conflict]
 * @property {string} [trouble] why it cannot be saved at present, or ""
 */

/**
 * Two versions of a motion's text: one in its file, one kept beside it.
 * @typedef {{file: string, at: string}} Conflict
 */

/**
 * @typedef {object} Project
 * @property {string} title
 * @property {"motion"|"show"} kind
 * @property {string} file
 * @property {string} revision
 * @property {MotionEntry[]} motions
 * @property {Problem[]} problems
 */

/**
 * A film's frame rate.
 * @typedef {object} Fps
 * @property {number} rate   frames a second, exact (24000/1001)
 * @property {number} count  frames that a timecode counts to a second (24)
 * @property {boolean} drop  whether drop-frame labels are usual at this rate
 */

/**
 * A change of tempo: beats are linear in time between two.
 * @typedef {{at: number, beat: number, bpm: number}} Tempo
 */

/** @typedef {"first"|"eased"|"spline"|"straight"|"stepped"|"springy"|"soonest"} Head */

/**
 * @typedef {object} Key
 * @property {number} at
 * @property {number} to
 * @property {string} ease
 * @property {Head} head     the family of the ease, by which its note head is drawn
 * @property {number} line
 * @property {boolean} locked
 * @property {{track: string, index: number}|null} [address]  by which it is changed; null of a pose's or phrase's
 * @property {{kind: "pose"|"phrase", name: string, index: number, line: number}|null} [from]  the placement that it belongs to
 */

/**
 * What a row's axis may do at most; null where there is no such limit.
 * @typedef {{speed: number|null, acceleration: number|null, jerk: number|null}} Limits
 */

/**
 * A stave: an axis or a control.
 * @typedef {object} Row
 * @property {"axis"|"control"} kind
 * @property {string} name
 * @property {string} unit    deg, mm, %, on, rev …
 * @property {number} low     of the drawing
 * @property {number} high    of the drawing
 * @property {[number, number]|null} travel
 * @property {number} rest
 * @property {"servo"|"continuous-servo"|"motor"|"stepper"|"dimmer"|"switch"|""} actuator
 * @property {string} board
 * @property {number} channel
 * @property {string} supply
 * @property {Limits} limits
 * @property {boolean} area   drawn as an area from its low
 * @property {Key[]} keys     by time
 * @property {number} commanded  index of a curve
 * @property {number} predicted  index of a curve, or -1
 */

/**
 * A control of the rig, whether the motion uses it or not.
 * @typedef {object} Control
 * @property {string} name
 * @property {string} unit
 * @property {number} row           index, or -1
 * @property {number|null} low      by which it can move its axes from their rest
 * @property {number|null} high
 * @property {{row: number, share: number}[]} shares  of the axes, in their units a unit of the control
 */

/** @typedef {{name: string, at: number, locked: boolean, line: number}} Mark */

/** @typedef {{at: number, say: string, set: {axis: string, value: string|number|boolean}[], line: number}} Cue */

/** @typedef {{from: number, to: number, speed: number|null, release: string[]}} Quiet */

/** @typedef {{row: number, from: number, to: number, what: string}} Layer */

/**
 * @typedef {object} Supply
 * @property {string} name
 * @property {number|null} limit     A
 * @property {number} voltage        V
 * @property {number|null} brownout  V
 * @property {number} current  index of a curve, A
 * @property {number} volts    index of a curve, V
 * @property {{at: number, amps: number, text: string}|null} peak
 */

/** @typedef {"error"|"warning"|"note"} Severity */

/**
 * What the check found.
 * @typedef {object} Finding
 * @property {number} number  as it is drawn in the sheet
 * @property {Severity} severity
 * @property {string} rule
 * @property {number} row     index, or -1
 * @property {number} supply  index, or -1
 * @property {number} from
 * @property {number} to
 * @property {string} text
 * @property {string} remedy
 * @property {string} file
 * @property {number} line
 */

/** @typedef {[number, number, number]} Vector */

/**
 * A solid: its size is a sphere's radius, a box's three edges, or a cylinder's
 * radius and height.
 * @typedef {{shape: "sphere"|"box"|"cylinder"|"", size: number[]}} Solid
 */

/**
 * A joint of the rig's drawing; parents come before their children.
 * @typedef {object} Joint
 * @property {string} name
 * @property {number} parent  index, or -1
 * @property {Vector} at      in the parent's frame, mm
 * @property {{about: Vector, row: number}|null} turns   deg of the row's value
 * @property {{along: Vector, row: number}|null} slides  mm of the row's value
 * @property {Solid} solid
 */

/** @typedef {{file: string, length: number, delay: number}} Sound */

/**
 * A motion as it is drawn.
 * @typedef {object} Score
 * @property {string} name
 * @property {string} title
 * @property {string} file
 * @property {string} rig
 * @property {string} revision
 * @property {number} length
 * @property {boolean} loop
 * @property {Fps|null} fps
 * @property {Tempo[]|null} tempo
 * @property {number} boardRate  Hz
 * @property {Row[]} rows
 * @property {Control[]} [controls]
 * @property {Mark[]} marks
 * @property {Cue[]} cues
 * @property {Quiet[]} quiet
 * @property {Layer[]} layers
 * @property {Supply[]} supplies
 * @property {Finding[]} findings
 * @property {Joint[]} joints
 * @property {Sound|null} sound
 * @property {string} [text]       revision of the file's text, on which the next change is made
 * @property {number} [undo]       steps that can be undone
 * @property {number} [redo]
 * @property {boolean} [saved]
 * @property {Conflict|null} [conflict]
 * @property {string} [trouble]
 * @property {boolean} [paced]     times of the file are not those of the performance
 * @property {{name: string, values: Record<string, number>, line: number}[]} [poses]
 * @property {{index: number, kind: "pose"|"phrase", name: string, at: number, locked: boolean, line: number}[]} [placements]
 */

/**
 * Curves at a fixed rate: sample k is at k/rate seconds.
 * @typedef {{rate: number, samples: number, count: number, data: Float32Array[]}} Curves
 */

/**
 * The loudness of a sound: lowest and highest sample of each bucket.
 * @typedef {{rate: number, low: Int16Array, high: Int16Array}} Waveform
 */

/** @typedef {{from: number, to: number}} Span */

/**
 * How the rows lie on the sheet, by id: "axis:NAME", "control:NAME",
 * "supply:NAME", "sound". Ids that the order does not name come after it.
 * @typedef {{order: string[], folded: Set<string>, hidden: Set<string>}} Rows
 */

/**
 * How the stage is looked at.
 * @typedef {object} StageView
 * @property {number} yaw       deg
 * @property {number} pitch     deg
 * @property {number} distance  mm; 0 to fit the rig
 * @property {Vector} target    mm
 * @property {boolean} ghost
 * @property {boolean} trails
 * @property {number} onion     film frames, 0 to 8
 * @property {null|"16:9"|"1.85:1"|"2.39:1"|"4:3"|"9:16"} mask
 */

/**
 * What the server has made of a motion, and has not put into its file.
 * @typedef {object} Proposal
 * @property {"proposal"} type
 * @property {string} motion
 * @property {string} id
 * @property {string} kind    "retime", "retime-keys", "shape" or "take"
 * @property {"working"|"ready"|"refused"|"gone"} state
 * @property {string} [text]  for people
 * @property {Record<string, any>} [figures]
 * @property {Problem[]} [problems]
 */

/**
 * Values that a hand gives to rows, by their indices, in the place of those of the motion.
 * @typedef {[row: number, value: number][]} Live
 */

/** @typedef {{row: string, k: number}} KeyRef  a key: its row's id, and its place among that row's keys */

/**
 * How the motion is edited.
 * @typedef {object} EditState
 * @property {boolean} on
 * @property {boolean} many       a tap adds to the selection
 * @property {KeyRef[]} keys      the selected ones
 * @property {KeyRef|null} cursor the one at hand for the keyboard
 * @property {boolean} busy       a change is on its way
 * @property {string} fault       why something was not done, or ""
 */

/**
 * All that two parts of the page need.
 * @typedef {object} State
 * @property {Project|null} project
 * @property {string} motion       name, or "" before there is one
 * @property {Score|null} score
 * @property {Curves|null} curves
 * @property {Waveform|null} waveform
 * @property {Problem[]} problems
 * @property {boolean} connected
 * @property {string} trouble      why the motion could not be read, or ""
 * @property {number} time         s
 * @property {boolean} playing
 * @property {number} rate         0.1 to 1
 * @property {Span|null} loop      the span that is set
 * @property {boolean} looping     whether to play round: the span, else all of a motion
 * @property {boolean} countIn
 * @property {number} counting     beats or seconds left of a count-in, or 0
 * @property {""|"still"|"running"} boards  whether the transport is that of the boards, and they move
 * @property {"none"|"loading"|"ready"|"failed"} sound
 * @property {string} soundTrouble  why it failed, or ""
 * @property {boolean} muted
 * @property {Span} view           what the sheet shows, s
 * @property {Rows} rows
 * @property {number|null} finding number of the one selected
 * @property {string|null} row     id of the one selected
 * @property {"paper"|"dark"} theme
 * @property {number} themeCount   goes up when the colours change
 * @property {boolean} shortcuts   whether keys without Ctrl work
 * @property {StageView} stage
 * @property {EditState} edit
 * @property {Proposal|null} proposal  what was told last of any
 * @property {Live|null} live      what a hand performs now
 * @property {boolean} proposed    what is shown is a proposal, not the motion as it stands
 */

/**
 * @typedef {object} Store
 * @property {() => State} get
 * @property {(patch: Partial<State>) => void} set
 * @property {(listen: (state: State, before: State) => void) => (() => void)} subscribe
 */

/**
 * What a part may ask for.
 * @typedef {object} Actions
 * @property {(time: number) => void} seek       held within the motion
 * @property {(time: number) => void} scrub      seek while a hand drags: snaps to a film frame, sounds a grain
 * @property {() => void} scrubEnd
 * @property {() => void} play
 * @property {() => void} stop
 * @property {() => void} toggle                 play or stop
 * @property {(now: number) => {time: number, before: number}|null} momentAt  where the motion is when the page's clock shows a time, ms;
 *   before: s until it begins, while it is counted in; null where nothing plays
 * @property {(frames: number) => void} step     by film frames, or board frames where there are none
 * @property {(seconds: number) => void} skip
 * @property {() => void} toStart
 * @property {() => void} toEnd
 * @property {(direction: 1|-1) => void} toMark  to the next or the previous mark
 * @property {(rate: number) => void} setRate
 * @property {(span: Span|null) => void} setLoop
 * @property {(end: "from"|"to") => void} setLoopEnd  at the present time
 * @property {(on: boolean) => void} setLooping
 * @property {(on: boolean) => void} setCountIn
 * @property {(muted: boolean) => void} setMuted
 * @property {(factor: number, about?: number) => void} zoom   over 1 shows less time; about a time, else the present one
 * @property {(seconds: number) => void} pan
 * @property {(span: Span) => void} show         a span of time
 * @property {() => void} fit                    all of the motion
 * @property {(number: number|null) => void} selectFinding  seeks to it, shows it
 * @property {(direction: 1|-1) => void} toFinding
 * @property {(id: string|null) => void} selectRow
 * @property {(rows: Partial<Rows>) => void} setRows
 * @property {(patch: Partial<StageView>) => void} setStage
 * @property {(theme: "paper"|"dark") => void} setTheme
 * @property {(on: boolean) => void} setShortcuts
 * @property {(name: string) => void} choose     a motion of the show
 * @property {(text: string) => void} announce   to screen readers, politely
 */

/**
 * @typedef {object} PartOptions
 * @property {HTMLElement} element
 * @property {Store} store
 * @property {Actions} actions
 * @property {() => void} request  asks the frame loop for a frame
 */

/**
 * What draws in an element of its own. Draw says whether it wants another frame
 * though nothing changes.
 * @typedef {{draw: (state: State) => boolean|void, destroy: () => void}} Part
 */

export {};
