package drive

import "math"

// shaft is the output shaft of a DC motor on a bridge, and the electricity that
// it takes. step moves it on.
type shaft struct {
	emf              float64 // V for 1 unit/s
	driving, braking float64 // N.m for 1 A
	perOhm           float64 // 1/ohm of winding and lead
	perOhmOff        float64 // 1/ohm of the winding alone, shorted by the bridge that is off; 0: open
	sliding, static  float64 // N.m of friction
	inertia, torque  float64 // N.m for 1 unit/s2, N.m; where there is no table
	table            *burden
	low, high        float64 // end stops

	position, speed float64
	drive           float64 // share of the voltage that the bridge puts on the motor, -1 to 1; 0: off

	charge float64 // A s drawn from the supply, counted on
	heat   float64 // A2 s of winding current, counted on
	back   float64 // V A s that a braking motor would give back, counted on
	way    float64 // unit, counted on without sign
	turns  int     // times that it came to a stand, counted on
	turn   float64 // position of the last of them
	book   *ledger // nil but in tests
}

// ledger says where energy goes; no result depends on it. Mechanical work is in
// N.m x unit.
type ledger struct {
	supplied float64 // J into lead and winding, less what comes back
	heat     float64 // J, of lead and winding
	motion   float64 // J that the back-EMF turns into motion, less what it takes from it
	friction float64
	load     float64 // lifted
	stops    float64 // lost at the end stops in this step
	lost     float64 // lost at the end stops before
}

// current gives the winding's current at a supply voltage.
func (m *shaft) current(volt float64) float64 {
	if m.drive == 0 {
		return float64(-m.emf * m.speed * m.perOhmOff)
	}
	return float64((float64(m.drive*volt) - float64(m.emf*m.speed)) * m.perOhm)
}

// instant is the shortest time, in seconds, that counts.
const instant = 1e-9

// step goes on by h seconds at a supply voltage. It splits where the shaft comes
// to a stand: from there it sticks or turns back.
func (m *shaft) step(h, volt float64) {
	for h > 0 {
		used := m.smooth(h, volt)
		h -= used
		if h < instant*1e-3 {
			return
		}
	}
}

// smooth goes on until h seconds are over or the shaft comes to a stand, and
// gives the time used. In between the motor equation is linear, torque of load
// and friction taken as constant and that of the load from the middle of the
// way: speed and way are exact for it.
func (m *shaft) smooth(h, volt float64) float64 {
	perOhm, push := m.perOhm, float64(m.drive*volt)
	if m.drive == 0 {
		perOhm = m.perOhmOff
	}
	v := m.speed
	torque, inertia, bend := m.torque, m.inertia, 0.0
	if m.table != nil {
		torque, inertia, bend = m.table.at(m.position + float64(0.5*h*v))
	}
	i0 := float64((push - float64(m.emf*v)) * perOhm)
	heading := 1.0
	switch {
	case v < 0:
		heading = -1
	case v == 0:
		if heading = m.start(i0, torque); heading == 0 {
			m.take(i0, i0, float64(i0*h), h, volt)
			return h
		}
	}
	constant := m.driving
	if i0*heading < 0 {
		constant = m.braking
	}
	perInertia := 1 / inertia
	a := (float64(constant*i0) - torque - float64(m.sliding*heading) - float64(bend*v*v)) * perInertia
	rate := m.emf * constant * perOhm * perInertia
	first, second := decay(rate * h)
	end := v + float64(a*h*first)
	stands := end*heading <= 0
	if stands {
		h = standstill(v, a, rate, h, end)
		_, second = decay(rate * h)
		end = 0
	}
	way := float64(h * (v + float64(a*h*second)))
	way, end = m.stop(way, end, inertia)
	i1 := float64((push - float64(m.emf*end)) * perOhm)
	if m.book != nil {
		m.account(way, end, constant, torque, inertia, bend, heading)
	}
	m.position += way
	m.speed = end
	if way < 0 {
		m.way -= way
	} else {
		m.way += way
	}
	if end == 0 {
		m.turns++
		m.turn = m.position
	}
	m.take(i0, i1, float64((float64(push*h)-float64(m.emf*way))*perOhm), h, volt)
	return h
}

// start gives which way a shaft at a stand sets off, 0 for none: the motor has
// to overcome load and static friction, or the load motor and friction.
func (m *shaft) start(current, torque float64) float64 {
	drives, holds := m.driving, m.braking
	if current < 0 {
		drives, holds = holds, drives
	}
	switch {
	case float64(drives*current)-torque > m.static && m.position < m.high:
		return 1
	case torque-float64(holds*current) > m.static && m.position > m.low:
		return -1
	}
	return 0
}

// stop ends a way at the end stops, which take all speed.
func (m *shaft) stop(way, end, inertia float64) (float64, float64) {
	to := m.position + way
	if to < m.high && to > m.low || to >= m.high && way <= 0 || to <= m.low && way >= 0 {
		return way, end
	}
	if m.book != nil {
		m.book.stops += 0.5 * inertia * end * end
	}
	return math.Max(m.low, math.Min(m.high, to)) - m.position, 0
}

// take counts the electricity of h seconds: i0 and i1 are the winding's currents
// at their ends, charge is their integral.
func (m *shaft) take(i0, i1, charge, h, volt float64) {
	m.heat += float64(h * (1.0 / 3) * (float64(i0*i0) + float64(i0*i1) + float64(i1*i1)))
	drawn := float64(m.drive * charge)
	if m.book != nil {
		m.book.supplied += drawn * volt
		m.book.heat += m.ohmic(h * (i0*i0 + i0*i1 + i1*i1) / 3)
	}
	if drawn >= 0 {
		m.charge += drawn
	} else {
		m.back -= float64(drawn * volt)
	}
}

func (m *shaft) ohmic(squares float64) float64 {
	switch {
	case m.drive != 0:
		return squares / m.perOhm
	case m.perOhmOff > 0:
		return squares / m.perOhmOff
	}
	return 0
}

func (m *shaft) account(way, end, constant, torque, inertia, bend, heading float64) {
	b, v := m.book, m.speed
	load, friction := torque*way, m.sliding*heading*way
	kinetic := 0.5*inertia*(end*end-v*v) + bend*v*v*way
	b.load += load
	b.friction += friction
	b.motion += m.emf / constant * (load + friction + kinetic + b.stops)
	b.lost += b.stops
	b.stops = 0
}

// standstill gives the time in (0, h] at which a speed that starts at v with the
// acceleration a, which decays at a rate, is zero; end is the speed after h.
func standstill(v, a, rate, h, end float64) float64 {
	t := h * v / (v - end)
	for range 2 {
		z := rate * t
		first, _ := decay(z)
		t -= (v + float64(a*t*first)) / (a * (1 - float64(z*first)))
	}
	if !(t > 0) {
		return instant * 1e-3
	}
	return math.Min(t, h)
}

// decay gives (1 - e^-z)/z and (z - 1 + e^-z)/z2, which carry an acceleration
// that decays into speed and way, for z from 0 to 1 by their series, to 2e-9.
func decay(z float64) (first, second float64) {
	if z < 0.03 {
		second = 1.0/24 - float64(z*(1.0/120))
	} else {
		second = 1.0/40320 - float64(z*(1.0/362880-float64(z*(1.0/3628800-float64(z*(1.0/39916800))))))
		second = 1.0/5040 - float64(z*second)
		second = 1.0/720 - float64(z*second)
		second = 1.0/120 - float64(z*second)
		second = 1.0/24 - float64(z*second)
	}
	second = 1.0/6 - float64(z*second)
	second = 0.5 - float64(z*second)
	return 1 - float64(z*second), second
}
