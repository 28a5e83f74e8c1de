// Code generated from messages.txt by transport/wire/tables. DO NOT EDIT.

package wire

import (
	"encoding/binary"
	"fmt"
)

// Version is the protocol's version that this package speaks.
const Version = 1

// State is what a board is doing.
type State uint8

const (
	StateSilent   State = 0 // no pulse leaves: after power-up, a reset or stop 0
	StateArmed    State = 1 // pulses leave, the pose is held, frames may be queued
	StatePlaying  State = 2 // queued frames are played at their times
	StateHeld     State = 3 // playing was stopped by hold; pulses stay, the queue stays
	StateStopping State = 4 // axes are being brought to rest by stop 1
	StateStopped  State = 5 // after stop 1: only what carries weight has pulses; disarmed
	StateLost     State = 6 // the host was silent too long; each axis did what its policy says; disarmed
)

// String gives the name, or the number where it has none.
func (s State) String() string {
	switch s {
	case StateSilent:
		return "silent"
	case StateArmed:
		return "armed"
	case StatePlaying:
		return "playing"
	case StateHeld:
		return "held"
	case StateStopping:
		return "stopping"
	case StateStopped:
		return "stopped"
	case StateLost:
		return "lost"
	}
	return fmt.Sprintf("state %d", uint8(s))
}

// Meaning says it in words, nothing where the number has no name.
func (s State) Meaning() string {
	switch s {
	case StateSilent:
		return "no pulse leaves: after power-up, a reset or stop 0"
	case StateArmed:
		return "pulses leave, the pose is held, frames may be queued"
	case StatePlaying:
		return "queued frames are played at their times"
	case StateHeld:
		return "playing was stopped by hold; pulses stay, the queue stays"
	case StateStopping:
		return "axes are being brought to rest by stop 1"
	case StateStopped:
		return "after stop 1: only what carries weight has pulses; disarmed"
	case StateLost:
		return "the host was silent too long; each axis did what its policy says; disarmed"
	}
	return ""
}

// Known says whether this version has the number.
func (s State) Known() bool { return s < 7 }

// Cause is why a board went to its state.
type Cause uint8

const (
	CauseNone    Cause = 0 // no cause: the state follows from power-up
	CauseHost    Cause = 1 // the host said so
	CauseInput   Cause = 2 // the stop input
	CauseSilence Cause = 3 // no valid message from the host
	CauseReset   Cause = 4 // the board has been reset
	CauseResets  Cause = 5 // three resets in a minute
)

// String gives the name, or the number where it has none.
func (c Cause) String() string {
	switch c {
	case CauseNone:
		return "none"
	case CauseHost:
		return "host"
	case CauseInput:
		return "input"
	case CauseSilence:
		return "silence"
	case CauseReset:
		return "reset"
	case CauseResets:
		return "resets"
	}
	return fmt.Sprintf("cause %d", uint8(c))
}

// Meaning says it in words, nothing where the number has no name.
func (c Cause) Meaning() string {
	switch c {
	case CauseNone:
		return "no cause: the state follows from power-up"
	case CauseHost:
		return "the host said so"
	case CauseInput:
		return "the stop input"
	case CauseSilence:
		return "no valid message from the host"
	case CauseReset:
		return "the board has been reset"
	case CauseResets:
		return "three resets in a minute"
	}
	return ""
}

// Known says whether this version has the number.
func (c Cause) Known() bool { return c < 6 }

// Reset is what caused a board's last reset.
type Reset uint8

const (
	ResetUnknown  Reset = 0 // the board cannot tell
	ResetPower    Reset = 1 // power came on
	ResetPin      Reset = 2 // the reset pin (opening a serial port pulls it on many boards)
	ResetBrownout Reset = 3 // the supply sagged
	ResetWatchdog Reset = 4 // the program did not answer its watchdog
)

// String gives the name, or the number where it has none.
func (r Reset) String() string {
	switch r {
	case ResetUnknown:
		return "unknown"
	case ResetPower:
		return "power"
	case ResetPin:
		return "pin"
	case ResetBrownout:
		return "brownout"
	case ResetWatchdog:
		return "watchdog"
	}
	return fmt.Sprintf("reset %d", uint8(r))
}

// Meaning says it in words, nothing where the number has no name.
func (r Reset) Meaning() string {
	switch r {
	case ResetUnknown:
		return "the board cannot tell"
	case ResetPower:
		return "power came on"
	case ResetPin:
		return "the reset pin (opening a serial port pulls it on many boards)"
	case ResetBrownout:
		return "the supply sagged"
	case ResetWatchdog:
		return "the program did not answer its watchdog"
	}
	return ""
}

// Known says whether this version has the number.
func (r Reset) Known() bool { return r < 5 }

// Result is how a message of the host was taken.
type Result uint8

const (
	ResultOk      Result = 0 // done
	ResultState   Result = 1 // not now: the board is in another state
	ResultLimits  Result = 2 // out of the board's own limits
	ResultUnset   Result = 3 // not configured, or not all channels
	ResultBoot    Result = 4 // the board has been reset since it was identified
	ResultUnclear Result = 5 // a number in the message means nothing to this board
	ResultChannel Result = 6 // no such channel
	ResultFull    Result = 7 // no room in the queue
)

// String gives the name, or the number where it has none.
func (r Result) String() string {
	switch r {
	case ResultOk:
		return "ok"
	case ResultState:
		return "state"
	case ResultLimits:
		return "limits"
	case ResultUnset:
		return "unset"
	case ResultBoot:
		return "boot"
	case ResultUnclear:
		return "unclear"
	case ResultChannel:
		return "channel"
	case ResultFull:
		return "full"
	}
	return fmt.Sprintf("result %d", uint8(r))
}

// Meaning says it in words, nothing where the number has no name.
func (r Result) Meaning() string {
	switch r {
	case ResultOk:
		return "done"
	case ResultState:
		return "not now: the board is in another state"
	case ResultLimits:
		return "out of the board's own limits"
	case ResultUnset:
		return "not configured, or not all channels"
	case ResultBoot:
		return "the board has been reset since it was identified"
	case ResultUnclear:
		return "a number in the message means nothing to this board"
	case ResultChannel:
		return "no such channel"
	case ResultFull:
		return "no room in the queue"
	}
	return ""
}

// Known says whether this version has the number.
func (r Result) Known() bool { return r < 8 }

// Unit is what a value counts on a channel.
type Unit uint8

const (
	UnitTicks Unit = 0 // pulse length in ticks of the board; 0 is no pulse in this frame
	UnitDuty  Unit = 1 // signed duty of a motor, two's complement
	UnitSteps Unit = 2 // low 16 bits of a stepper's position in microsteps
	UnitLevel Unit = 3 // brightness of a lamp
	UnitState Unit = 4 // a switch: 0 is off, all else is on
)

// String gives the name, or the number where it has none.
func (u Unit) String() string {
	switch u {
	case UnitTicks:
		return "ticks"
	case UnitDuty:
		return "duty"
	case UnitSteps:
		return "steps"
	case UnitLevel:
		return "level"
	case UnitState:
		return "state"
	}
	return fmt.Sprintf("unit %d", uint8(u))
}

// Meaning says it in words, nothing where the number has no name.
func (u Unit) Meaning() string {
	switch u {
	case UnitTicks:
		return "pulse length in ticks of the board; 0 is no pulse in this frame"
	case UnitDuty:
		return "signed duty of a motor, two's complement"
	case UnitSteps:
		return "low 16 bits of a stepper's position in microsteps"
	case UnitLevel:
		return "brightness of a lamp"
	case UnitState:
		return "a switch: 0 is off, all else is on"
	}
	return ""
}

// Known says whether this version has the number.
func (u Unit) Known() bool { return u < 5 }

// Policy is what an axis does when the host is lost.
type Policy uint8

const (
	PolicyHold    Policy = 0 // brought to rest, pulses stay
	PolicyRest    Policy = 1 // brought to rest, then moved to its rest value, pulses stay
	PolicyRelease Policy = 2 // brought to rest, then let go, unless it carries weight
)

// String gives the name, or the number where it has none.
func (p Policy) String() string {
	switch p {
	case PolicyHold:
		return "hold"
	case PolicyRest:
		return "rest"
	case PolicyRelease:
		return "release"
	}
	return fmt.Sprintf("policy %d", uint8(p))
}

// Meaning says it in words, nothing where the number has no name.
func (p Policy) Meaning() string {
	switch p {
	case PolicyHold:
		return "brought to rest, pulses stay"
	case PolicyRest:
		return "brought to rest, then moved to its rest value, pulses stay"
	case PolicyRelease:
		return "brought to rest, then let go, unless it carries weight"
	}
	return ""
}

// Known says whether this version has the number.
func (p Policy) Known() bool { return p < 3 }

// Category is how a stop ends, by the stop categories of IEC 60204-1.
type Category uint8

const (
	CategoryDrop       Category = 0 // pulses of all axes end now, between two pulses
	CategoryControlled Category = 1 // every axis is brought to rest, then let go unless it carries weight
)

// String gives the name, or the number where it has none.
func (c Category) String() string {
	switch c {
	case CategoryDrop:
		return "drop"
	case CategoryControlled:
		return "controlled"
	}
	return fmt.Sprintf("category %d", uint8(c))
}

// Meaning says it in words, nothing where the number has no name.
func (c Category) Meaning() string {
	switch c {
	case CategoryDrop:
		return "pulses of all axes end now, between two pulses"
	case CategoryControlled:
		return "every axis is brought to rest, then let go unless it carries weight"
	}
	return ""
}

// Known says whether this version has the number.
func (c Category) Known() bool { return c < 2 }

// Topic is what a query asks for.
type Topic uint8

const (
	TopicStatus Topic = 0 // the board's state and counters
	TopicPose   Topic = 1 // the present values
)

// String gives the name, or the number where it has none.
func (t Topic) String() string {
	switch t {
	case TopicStatus:
		return "status"
	case TopicPose:
		return "pose"
	}
	return fmt.Sprintf("topic %d", uint8(t))
}

// Meaning says it in words, nothing where the number has no name.
func (t Topic) Meaning() string {
	switch t {
	case TopicStatus:
		return "the board's state and counters"
	case TopicPose:
		return "the present values"
	}
	return ""
}

// Known says whether this version has the number.
func (t Topic) Known() bool { return t < 2 }

// Flags are what is particular about a channel.
type Flags uint8

const (
	FlagsWeight Flags = 1 << 0 // the axis carries weight: only stop 0 lets it go
	FlagsTurns  Flags = 1 << 1 // its value is a speed, as of a continuous servo: at rest is where the value is that of rest
)

// Units are the units that an output can play; bit n is the unit with number n.
type Units uint8

const (
	UnitsTicks Units = 1 << 0 // pulses of a servo
	UnitsDuty  Units = 1 << 1 // a motor
	UnitsSteps Units = 1 << 2 // a stepper
	UnitsLevel Units = 1 << 3 // a lamp
	UnitsState Units = 1 << 4 // a switch
)

// Inputs are the inputs of a board that are active now; bits from 1 on are the board's own.
type Inputs uint16

const (
	InputsStop Inputs = 1 << 0 // the stop input
)

// The kinds of messages.
const (
	KindIdentify Kind = 0x01 // host, answered by identity
	KindAsk      Kind = 0x02 // host, answered by limits
	KindClock    Kind = 0x03 // host, answered by time
	KindSetup    Kind = 0x04 // host, answered by ack
	KindChannel  Kind = 0x05 // host, answered by ack
	KindArm      Kind = 0x06 // host, answered by ack
	KindFrames   Kind = 0x07 // host
	KindStart    Kind = 0x08 // host, answered by ack
	KindHold     Kind = 0x09 // host, answered by ack
	KindResume   Kind = 0x0a // host, answered by ack
	KindStop     Kind = 0x0b // host, answered by ack
	KindQuery    Kind = 0x0c // host
	KindFlush    Kind = 0x0d // host, answered by ack
	KindIdentity Kind = 0x41 // board
	KindLimits   Kind = 0x42 // board
	KindTime     Kind = 0x43 // board
	KindAck      Kind = 0x44 // board
	KindStatus   Kind = 0x45 // board
	KindPose     Kind = 0x46 // board
	KindCredit   Kind = 0x47 // board
)

// The sizes of payloads in bytes, without what has no fixed size.
const (
	SizeIdentify = 1
	SizeAsk      = 1
	SizeClock    = 4
	SizeSetup    = 7
	SizeChannel  = 26
	SizeArm      = 2
	SizeFrames   = 10
	SizeStart    = 4
	SizeHold     = 0
	SizeResume   = 4
	SizeStop     = 1
	SizeQuery    = 1
	SizeFlush    = 2
	SizeIdentity = 26
	SizeLimits   = 14
	SizeTime     = 12
	SizeAck      = 5
	SizeStatus   = 28
	SizePose     = 2
	SizeCredit   = 4
)

// String gives the name, or the number where it has none.
func (k Kind) String() string {
	switch k {
	case KindIdentify:
		return "identify"
	case KindAsk:
		return "ask"
	case KindClock:
		return "clock"
	case KindSetup:
		return "setup"
	case KindChannel:
		return "channel"
	case KindArm:
		return "arm"
	case KindFrames:
		return "frames"
	case KindStart:
		return "start"
	case KindHold:
		return "hold"
	case KindResume:
		return "resume"
	case KindStop:
		return "stop"
	case KindQuery:
		return "query"
	case KindFlush:
		return "flush"
	case KindIdentity:
		return "identity"
	case KindLimits:
		return "limits"
	case KindTime:
		return "time"
	case KindAck:
		return "ack"
	case KindStatus:
		return "status"
	case KindPose:
		return "pose"
	case KindCredit:
		return "credit"
	}
	return fmt.Sprintf("message 0x%02x", uint8(k))
}

// Known says whether this version has the kind.
func (k Kind) Known() bool { return k.Size() >= 0 }

// From gives the side that sends the kind, by its number.
func (k Kind) From() Side {
	if k < 0x40 {
		return FromHost
	}
	return FromBoard
}

// Size gives the shortest payload of the kind in bytes, -1 where it is not known.
func (k Kind) Size() int {
	switch k {
	case KindIdentify:
		return SizeIdentify
	case KindAsk:
		return SizeAsk
	case KindClock:
		return SizeClock
	case KindSetup:
		return SizeSetup
	case KindChannel:
		return SizeChannel
	case KindArm:
		return SizeArm
	case KindFrames:
		return SizeFrames
	case KindStart:
		return SizeStart
	case KindHold:
		return SizeHold
	case KindResume:
		return SizeResume
	case KindStop:
		return SizeStop
	case KindQuery:
		return SizeQuery
	case KindFlush:
		return SizeFlush
	case KindIdentity:
		return SizeIdentity
	case KindLimits:
		return SizeLimits
	case KindTime:
		return SizeTime
	case KindAck:
		return SizeAck
	case KindStatus:
		return SizeStatus
	case KindPose:
		return SizePose
	case KindCredit:
		return SizeCredit
	}
	return -1
}

// New gives an empty message of the kind, nil where it is not known.
func (k Kind) New() Message {
	switch k {
	case KindIdentify:
		return new(Identify)
	case KindAsk:
		return new(Ask)
	case KindClock:
		return new(Clock)
	case KindSetup:
		return new(Setup)
	case KindChannel:
		return new(Channel)
	case KindArm:
		return new(Arm)
	case KindFrames:
		return new(Frames)
	case KindStart:
		return new(Start)
	case KindHold:
		return new(Hold)
	case KindResume:
		return new(Resume)
	case KindStop:
		return new(Stop)
	case KindQuery:
		return new(Query)
	case KindFlush:
		return new(Flush)
	case KindIdentity:
		return new(Identity)
	case KindLimits:
		return new(Limits)
	case KindTime:
		return new(Time)
	case KindAck:
		return new(Ack)
	case KindStatus:
		return new(Status)
	case KindPose:
		return new(Pose)
	case KindCredit:
		return new(Credit)
	}
	return nil
}

// whole checks the length of a payload.
func whole(k Kind, p []byte) error {
	switch k {
	case KindIdentify:
		return short(k, len(p), SizeIdentify)
	case KindAsk:
		return short(k, len(p), SizeAsk)
	case KindClock:
		return short(k, len(p), SizeClock)
	case KindSetup:
		return short(k, len(p), SizeSetup)
	case KindChannel:
		return short(k, len(p), SizeChannel)
	case KindArm:
		return short(k, len(p), SizeArm+halves(len(p)-SizeArm))
	case KindFrames:
		return short(k, len(p), SizeFrames+halves(len(p)-SizeFrames))
	case KindStart:
		return short(k, len(p), SizeStart)
	case KindHold:
		return short(k, len(p), SizeHold)
	case KindResume:
		return short(k, len(p), SizeResume)
	case KindStop:
		return short(k, len(p), SizeStop)
	case KindQuery:
		return short(k, len(p), SizeQuery)
	case KindFlush:
		return short(k, len(p), SizeFlush)
	case KindIdentity:
		return short(k, len(p), SizeIdentity)
	case KindLimits:
		return short(k, len(p), SizeLimits)
	case KindTime:
		return short(k, len(p), SizeTime)
	case KindAck:
		return short(k, len(p), SizeAck)
	case KindStatus:
		return short(k, len(p), SizeStatus)
	case KindPose:
		return short(k, len(p), SizePose+counted(p, 1))
	case KindCredit:
		return short(k, len(p), SizeCredit)
	}
	return nil
}

// Identify is sent by the host. Asks who is there, in any state. Changes nothing, but sequence numbers are counted anew from it.
type Identify struct {
	Version uint8 // newest version the host speaks
}

// Kind gives KindIdentify.
func (m *Identify) Kind() Kind { return KindIdentify }

// Append appends the payload.
func (m *Identify) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Version))
	return dst
}

// Decode reads a payload.
func (m *Identify) Decode(payload []byte) error {
	if err := whole(KindIdentify, payload); err != nil {
		return err
	}
	m.Version = uint8(payload[0])
	return nil
}

// Ask is sent by the host. Asks for what the board itself allows on one output.
type Ask struct {
	Channel uint8 // number of the output, from 0
}

// Kind gives KindAsk.
func (m *Ask) Kind() Kind { return KindAsk }

// Append appends the payload.
func (m *Ask) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Channel))
	return dst
}

// Decode reads a payload.
func (m *Ask) Decode(payload []byte) error {
	if err := whole(KindAsk, payload); err != nil {
		return err
	}
	m.Channel = uint8(payload[0])
	return nil
}

// Clock is sent by the host. Asks for the board's time, to find its offset and drift.
type Clock struct {
	Token uint32 // comes back as it is
}

// Kind gives KindClock.
func (m *Clock) Kind() Kind { return KindClock }

// Append appends the payload.
func (m *Clock) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Token))
	return dst
}

// Decode reads a payload.
func (m *Clock) Decode(payload []byte) error {
	if err := whole(KindClock, payload); err != nil {
		return err
	}
	m.Token = uint32(binary.LittleEndian.Uint32(payload[0:]))
	return nil
}

// Setup is sent by the host. Begins a configuration and forgets the one before. Only while not armed.
type Setup struct {
	Channels uint8  // how many channels will be configured, 1 to 112
	Period   uint32 // ns from frame to frame
	Silence  uint16 // ms without a valid message before the board is lost; 250 is usual
}

// Kind gives KindSetup.
func (m *Setup) Kind() Kind { return KindSetup }

// Append appends the payload.
func (m *Setup) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Channels))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Period))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Silence))
	return dst
}

// Decode reads a payload.
func (m *Setup) Decode(payload []byte) error {
	if err := whole(KindSetup, payload); err != nil {
		return err
	}
	m.Channels = uint8(payload[0])
	m.Period = uint32(binary.LittleEndian.Uint32(payload[1:]))
	m.Silence = uint16(binary.LittleEndian.Uint16(payload[5:]))
	return nil
}

// Channel is sent by the host. Configures one channel. Refused where it is wider than the board's own limits.
type Channel struct {
	Channel uint8  // number of the output, from 0
	Unit    Unit   // what values count
	Lost    Policy // what the axis does when the host is lost
	Flags   Flags  // weight
	Offset  uint16 // start of the pulse in its frame, in ticks
	Low     int32  // least value
	High    int32  // greatest value
	Rest    int32  // value at rest
	Change  uint32 // greatest change from frame to frame
	Slow    uint32 // greatest change of the change from frame to frame: how hard stops brake
}

// Kind gives KindChannel.
func (m *Channel) Kind() Kind { return KindChannel }

// Append appends the payload.
func (m *Channel) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Channel))
	dst = append(dst, byte(m.Unit))
	dst = append(dst, byte(m.Lost))
	dst = append(dst, byte(m.Flags))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Offset))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Low))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.High))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Rest))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Change))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Slow))
	return dst
}

// Decode reads a payload.
func (m *Channel) Decode(payload []byte) error {
	if err := whole(KindChannel, payload); err != nil {
		return err
	}
	m.Channel = uint8(payload[0])
	m.Unit = Unit(payload[1])
	m.Lost = Policy(payload[2])
	m.Flags = Flags(payload[3])
	m.Offset = uint16(binary.LittleEndian.Uint16(payload[4:]))
	m.Low = int32(binary.LittleEndian.Uint32(payload[6:]))
	m.High = int32(binary.LittleEndian.Uint32(payload[10:]))
	m.Rest = int32(binary.LittleEndian.Uint32(payload[14:]))
	m.Change = uint32(binary.LittleEndian.Uint32(payload[18:]))
	m.Slow = uint32(binary.LittleEndian.Uint32(payload[22:]))
	return nil
}

// Arm is sent by the host. Lets pulses leave, at the values where the operator has confirmed that the prop stands. A pose follows the ack.
type Arm struct {
	Boot   uint16 // of the identity, so that a board that was reset cannot be armed unseen
	Values Values // one a configured channel, in ascending order of channels
}

// Kind gives KindArm.
func (m *Arm) Kind() Kind { return KindArm }

// Append appends the payload.
func (m *Arm) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Boot))
	dst = append(dst, m.Values...)
	return dst
}

// Decode reads a payload, whose bytes the message then shares.
func (m *Arm) Decode(payload []byte) error {
	if err := whole(KindArm, payload); err != nil {
		return err
	}
	m.Boot = uint16(binary.LittleEndian.Uint16(payload[0:]))
	m.Values = payload[2:len(payload):len(payload)]
	return nil
}

// Frames is sent by the host. Queues frames. Answered by an ack only when it is refused.
type Frames struct {
	Index   Index  // number of the first frame
	Time    Tick   // when the first frame begins
	Spacing uint32 // ns from frame to frame in this message
	Values  Values // frame after frame, one value a configured channel in ascending order
}

// Kind gives KindFrames.
func (m *Frames) Kind() Kind { return KindFrames }

// Append appends the payload.
func (m *Frames) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Index))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Time))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Spacing))
	dst = append(dst, m.Values...)
	return dst
}

// Decode reads a payload, whose bytes the message then shares.
func (m *Frames) Decode(payload []byte) error {
	if err := whole(KindFrames, payload); err != nil {
		return err
	}
	m.Index = Index(binary.LittleEndian.Uint16(payload[0:]))
	m.Time = Tick(binary.LittleEndian.Uint32(payload[2:]))
	m.Spacing = uint32(binary.LittleEndian.Uint32(payload[6:]))
	m.Values = payload[10:len(payload):len(payload)]
	return nil
}

// Start is sent by the host. Begins to play with the first queued frame whose time is not before this time; earlier ones are dropped.
type Start struct {
	Time Tick // start
}

// Kind gives KindStart.
func (m *Start) Kind() Kind { return KindStart }

// Append appends the payload.
func (m *Start) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Time))
	return dst
}

// Decode reads a payload.
func (m *Start) Decode(payload []byte) error {
	if err := whole(KindStart, payload); err != nil {
		return err
	}
	m.Time = Tick(binary.LittleEndian.Uint32(payload[0:]))
	return nil
}

// Hold is sent by the host. Stops playing; pulses and the queue stay.
type Hold struct {
}

// Kind gives KindHold.
func (m *Hold) Kind() Kind { return KindHold }

// Append appends the payload.
func (m *Hold) Append(dst []byte) []byte {
	return dst
}

// Decode reads a payload.
func (m *Hold) Decode(payload []byte) error {
	if err := whole(KindHold, payload); err != nil {
		return err
	}
	return nil
}

// Resume is sent by the host. Goes on playing after hold: the first queued frame at this time, the others as far after it as they were.
type Resume struct {
	Time Tick // when the first queued frame begins
}

// Kind gives KindResume.
func (m *Resume) Kind() Kind { return KindResume }

// Append appends the payload.
func (m *Resume) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Time))
	return dst
}

// Decode reads a payload.
func (m *Resume) Decode(payload []byte) error {
	if err := whole(KindResume, payload); err != nil {
		return err
	}
	m.Time = Tick(binary.LittleEndian.Uint32(payload[0:]))
	return nil
}

// Stop is sent by the host. Stops, drops the queue and disarms, in any state.
type Stop struct {
	Category Category // how the stop ends
}

// Kind gives KindStop.
func (m *Stop) Kind() Kind { return KindStop }

// Append appends the payload.
func (m *Stop) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Category))
	return dst
}

// Decode reads a payload.
func (m *Stop) Decode(payload []byte) error {
	if err := whole(KindStop, payload); err != nil {
		return err
	}
	m.Category = Category(payload[0])
	return nil
}

// Query is sent by the host. Asks for a status or a pose, which is the answer.
type Query struct {
	Topic Topic // which
}

// Kind gives KindQuery.
func (m *Query) Kind() Kind { return KindQuery }

// Append appends the payload.
func (m *Query) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Topic))
	return dst
}

// Decode reads a payload.
func (m *Query) Decode(payload []byte) error {
	if err := whole(KindQuery, payload); err != nil {
		return err
	}
	m.Topic = Topic(payload[0])
	return nil
}

// Flush is sent by the host. Drops queued frames from this index on, for seeking in rehearsal. A credit follows the ack.
type Flush struct {
	Index Index // first frame to drop
}

// Kind gives KindFlush.
func (m *Flush) Kind() Kind { return KindFlush }

// Append appends the payload.
func (m *Flush) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Index))
	return dst
}

// Decode reads a payload.
func (m *Flush) Decode(payload []byte) error {
	if err := whole(KindFlush, payload); err != nil {
		return err
	}
	m.Index = Index(binary.LittleEndian.Uint16(payload[0:]))
	return nil
}

// Identity is sent by the board. Says who the board is.
type Identity struct {
	Version  uint8  // newest version the board speaks
	Boot     uint16 // another number after each reset
	Cause    Reset  // of the last reset
	Resets   uint16 // since power-up
	Channels uint8  // how many outputs it has
	Depth    uint16 // how many frames its queue holds, below 32768
	Payload  uint8  // longest payload it takes, at most 240
	Tick     uint32 // ps in a tick of a pulse
	Least    uint32 // shortest period, ns a frame
	Greatest uint32 // longest period, ns a frame
	Print    uint32 // CRC-32 of the rig built into the board; 0: none
	Name     []byte // in UTF-8
}

// Kind gives KindIdentity.
func (m *Identity) Kind() Kind { return KindIdentity }

// Append appends the payload.
func (m *Identity) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Version))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Boot))
	dst = append(dst, byte(m.Cause))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Resets))
	dst = append(dst, byte(m.Channels))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Depth))
	dst = append(dst, byte(m.Payload))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Tick))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Least))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Greatest))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Print))
	dst = append(dst, m.Name...)
	return dst
}

// Decode reads a payload, whose bytes the message then shares.
func (m *Identity) Decode(payload []byte) error {
	if err := whole(KindIdentity, payload); err != nil {
		return err
	}
	m.Version = uint8(payload[0])
	m.Boot = uint16(binary.LittleEndian.Uint16(payload[1:]))
	m.Cause = Reset(payload[3])
	m.Resets = uint16(binary.LittleEndian.Uint16(payload[4:]))
	m.Channels = uint8(payload[6])
	m.Depth = uint16(binary.LittleEndian.Uint16(payload[7:]))
	m.Payload = uint8(payload[9])
	m.Tick = uint32(binary.LittleEndian.Uint32(payload[10:]))
	m.Least = uint32(binary.LittleEndian.Uint32(payload[14:]))
	m.Greatest = uint32(binary.LittleEndian.Uint32(payload[18:]))
	m.Print = uint32(binary.LittleEndian.Uint32(payload[22:]))
	m.Name = payload[26:len(payload):len(payload)]
	return nil
}

// Limits is sent by the board. Says what the board itself allows on one output.
type Limits struct {
	Channel uint8  // number of the output
	Units   Units  // it can play
	Low     int32  // least value
	High    int32  // greatest value
	Change  uint32 // greatest change from frame to frame
}

// Kind gives KindLimits.
func (m *Limits) Kind() Kind { return KindLimits }

// Append appends the payload.
func (m *Limits) Append(dst []byte) []byte {
	dst = append(dst, byte(m.Channel))
	dst = append(dst, byte(m.Units))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Low))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.High))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Change))
	return dst
}

// Decode reads a payload.
func (m *Limits) Decode(payload []byte) error {
	if err := whole(KindLimits, payload); err != nil {
		return err
	}
	m.Channel = uint8(payload[0])
	m.Units = Units(payload[1])
	m.Low = int32(binary.LittleEndian.Uint32(payload[2:]))
	m.High = int32(binary.LittleEndian.Uint32(payload[6:]))
	m.Change = uint32(binary.LittleEndian.Uint32(payload[10:]))
	return nil
}

// Time is sent by the board. Answers clock.
type Time struct {
	Token    uint32 // of the clock message
	Received Tick   // board's time when the message had come
	Sent     Tick   // board's time when this answer leaves
}

// Kind gives KindTime.
func (m *Time) Kind() Kind { return KindTime }

// Append appends the payload.
func (m *Time) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Token))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Received))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Sent))
	return dst
}

// Decode reads a payload.
func (m *Time) Decode(payload []byte) error {
	if err := whole(KindTime, payload); err != nil {
		return err
	}
	m.Token = uint32(binary.LittleEndian.Uint32(payload[0:]))
	m.Received = Tick(binary.LittleEndian.Uint32(payload[4:]))
	m.Sent = Tick(binary.LittleEndian.Uint32(payload[8:]))
	return nil
}

// Ack is sent by the board. Says how a message was taken.
type Ack struct {
	About    Kind   // kind of the message
	Sequence uint16 // sequence number of the message
	Result   Result // how it was taken
	Detail   uint8  // the channel for limits, unset and channel; otherwise the state
}

// Kind gives KindAck.
func (m *Ack) Kind() Kind { return KindAck }

// Append appends the payload.
func (m *Ack) Append(dst []byte) []byte {
	dst = append(dst, byte(m.About))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Sequence))
	dst = append(dst, byte(m.Result))
	dst = append(dst, byte(m.Detail))
	return dst
}

// Decode reads a payload.
func (m *Ack) Decode(payload []byte) error {
	if err := whole(KindAck, payload); err != nil {
		return err
	}
	m.About = Kind(payload[0])
	m.Sequence = uint16(binary.LittleEndian.Uint16(payload[1:]))
	m.Result = Result(payload[3])
	m.Detail = uint8(payload[4])
	return nil
}

// Status is sent by the board. Ten times a second, and at once when the state or an input changes.
type Status struct {
	State   State  // what the board is doing
	Cause   Cause  // why
	Time    Tick   // board's time now
	Index   Index  // next frame to play
	Queued  uint16 // frames in the queue
	Played  uint32 // frames played since arm
	Late    uint16 // frames dropped because their time had passed
	Bridged uint16 // missing frames bridged
	Clamped uint16 // values cut to limits
	Bad     uint16 // packets with a wrong CRC or framing
	Unknown uint16 // messages of unknown kinds
	Inputs  Inputs // active now
	Supply  uint16 // mV; 0: not measured
}

// Kind gives KindStatus.
func (m *Status) Kind() Kind { return KindStatus }

// Append appends the payload.
func (m *Status) Append(dst []byte) []byte {
	dst = append(dst, byte(m.State))
	dst = append(dst, byte(m.Cause))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Time))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Index))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Queued))
	dst = binary.LittleEndian.AppendUint32(dst, uint32(m.Played))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Late))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Bridged))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Clamped))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Bad))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Unknown))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Inputs))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Supply))
	return dst
}

// Decode reads a payload.
func (m *Status) Decode(payload []byte) error {
	if err := whole(KindStatus, payload); err != nil {
		return err
	}
	m.State = State(payload[0])
	m.Cause = Cause(payload[1])
	m.Time = Tick(binary.LittleEndian.Uint32(payload[2:]))
	m.Index = Index(binary.LittleEndian.Uint16(payload[6:]))
	m.Queued = uint16(binary.LittleEndian.Uint16(payload[8:]))
	m.Played = uint32(binary.LittleEndian.Uint32(payload[10:]))
	m.Late = uint16(binary.LittleEndian.Uint16(payload[14:]))
	m.Bridged = uint16(binary.LittleEndian.Uint16(payload[16:]))
	m.Clamped = uint16(binary.LittleEndian.Uint16(payload[18:]))
	m.Bad = uint16(binary.LittleEndian.Uint16(payload[20:]))
	m.Unknown = uint16(binary.LittleEndian.Uint16(payload[22:]))
	m.Inputs = Inputs(binary.LittleEndian.Uint16(payload[24:]))
	m.Supply = uint16(binary.LittleEndian.Uint16(payload[26:]))
	return nil
}

// Pose is sent by the board. The values that the board holds now, and which channels have pulses.
type Pose struct {
	State  State  // what the board is doing
	Live   Mask   // bit i of byte i/8, from the least: pulses leave on that channel
	Values Values // one a configured channel
}

// Kind gives KindPose.
func (m *Pose) Kind() Kind { return KindPose }

// Append appends the payload.
func (m *Pose) Append(dst []byte) []byte {
	dst = append(dst, byte(m.State))
	count := m.Values.Len()
	dst = append(dst, byte(count))
	dst = appendMask(dst, m.Live, count)
	dst = append(dst, m.Values[:2*count]...)
	return dst
}

// Decode reads a payload, whose bytes the message then shares.
func (m *Pose) Decode(payload []byte) error {
	if err := whole(KindPose, payload); err != nil {
		return err
	}
	m.State = State(payload[0])
	count := int(payload[1])
	values := 2 + maskSize(count)
	m.Live = Mask(payload[2:values:values])
	end := values + 2*count
	m.Values = Values(payload[values:end:end])
	return nil
}

// Credit is sent by the board. How far the host may send. When room has grown by a quarter of the depth, and after every status.
type Credit struct {
	Limit Index  // first frame that there is no room for
	Free  uint16 // frames that there is room for
}

// Kind gives KindCredit.
func (m *Credit) Kind() Kind { return KindCredit }

// Append appends the payload.
func (m *Credit) Append(dst []byte) []byte {
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Limit))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(m.Free))
	return dst
}

// Decode reads a payload.
func (m *Credit) Decode(payload []byte) error {
	if err := whole(KindCredit, payload); err != nil {
		return err
	}
	m.Limit = Index(binary.LittleEndian.Uint16(payload[0:]))
	m.Free = uint16(binary.LittleEndian.Uint16(payload[2:]))
	return nil
}
