package linkage

import (
	"errors"
	"fmt"
	"math"
)

// fourBar is a four-bar linkage on one of its branches. Angles inside are in
// radians: x of the horn and y of the arm, both from the base line.
type fourBar struct {
	base, horn, rod, arm float64
	x0, y0               float64 // horn and arm at horn 0
	turns                float64 // whole turns by which the inverse runs ahead of the horn, in radians
	armSide              float64 // +1: arm anticlockwise of the line Q to A (crossed); -1: clockwise (open)
	hornSide             float64 // the same for the horn and the line O to B, within the range
	reachLo, reachHi     float64 // horn, in degrees, between the points where rod and arm line up
	hornLo, hornHi       float64 // Range
	partLo, partHi       float64
}

const (
	// deadSine is the sine of the angle between two links below which they
	// count as in line when horn 0 is checked.
	deadSine = 1e-6

	// margin, in degrees, keeps the ends of the range off the dead points, at
	// which a derivative is zero or infinite.
	margin = 1e-10

	turn = 2 * math.Pi
)

// NewFourBar makes a four-bar linkage with the given lengths in millimetres.
// zero is the horn's angle from the base line, in degrees, at horn 0. A range
// that has no end, as of a linkage that can turn round and round, is cut at one
// turn either side.
//
// It is an error if a length is not positive or not of a sane size, if the
// linkage cannot be put together at horn 0, or if it is at a dead point there:
// rod and arm in line, where nothing guides the part, or horn and rod in line,
// where the horn does not move the part.
func NewFourBar(base, horn, rod, arm, zero float64, crossed bool) (Linkage, error) {
	f := &fourBar{base: base, horn: horn, rod: rod, arm: arm, x0: math.Remainder(zero, 360) * degree, armSide: -1}
	if crossed {
		f.armSide = 1
	}
	if err := errors.Join(f.checkLengths(), checkZero(zero)); err != nil {
		return nil, err
	}
	if err := f.checkAssembly(); err != nil {
		return nil, err
	}
	f.y0 = f.armAngle(f.x0)
	if err := f.checkDeadPoints(); err != nil {
		return nil, err
	}
	f.hornSide = math.Copysign(1, f.hornSine(f.x0, f.y0))
	f.turns = turn * math.Round((f.hornAngle(f.y0)-f.x0)/turn)
	f.findRange()
	return f, nil
}

func (f *fourBar) checkLengths() error {
	links := []struct {
		name   string
		length float64
	}{{"base", f.base}, {"horn", f.horn}, {"rod", f.rod}, {"arm", f.arm}}
	var errs []error
	longest, shortest := links[0], links[0]
	for _, l := range links {
		if !(l.length > 0 && l.length <= largestLength) {
			errs = append(errs, fmt.Errorf("the linkage's %s is %g mm long: it has to be over 0 mm and at most 100 m", l.name, l.length))
		}
		if l.length > longest.length {
			longest = l
		}
		if l.length < shortest.length {
			shortest = l
		}
	}
	if len(errs) == 0 && longest.length > largestRatio*shortest.length {
		errs = append(errs, fmt.Errorf("the linkage's %s (%g mm) is over a million times its %s (%g mm): check their units",
			longest.name, longest.length, shortest.name, shortest.length))
	}
	return errors.Join(errs...)
}

func checkZero(zero float64) error {
	if !(math.Abs(zero) <= largestAngle) {
		return fmt.Errorf("the linkage's zero is %g deg: it has to be within 1e6 deg", zero)
	}
	return nil
}

// checkAssembly sees whether rod and arm can span the way from the horn's end
// to the arm's pivot at horn 0.
func (f *fourBar) checkAssembly() error {
	span := math.Sqrt(diagonalSquare(f.base, f.horn, math.Sin(f.x0/2)))
	switch {
	case span > f.rod+f.arm:
		return fmt.Errorf("the linkage does not meet at horn 0: from the horn's end to the arm's pivot it is %.4g mm, rod and arm together are %.4g mm; make them %.4g mm longer or turn zero",
			span, f.rod+f.arm, span-f.rod-f.arm)
	case span < math.Abs(f.rod-f.arm):
		return fmt.Errorf("the linkage does not meet at horn 0: from the horn's end to the arm's pivot it is %.4g mm, rod and arm differ by %.4g mm; make them more alike by %.4g mm or turn zero",
			span, math.Abs(f.rod-f.arm), math.Abs(f.rod-f.arm)-span)
	}
	return nil
}

func (f *fourBar) checkDeadPoints() error {
	switch {
	case math.Abs(f.armSine(f.x0, f.y0)) < deadSine:
		return errors.New("the linkage is at a dead point at horn 0: rod and arm are in line, so that nothing guides the part; turn zero or change a length")
	case math.Abs(f.hornSine(f.x0, f.y0)) < deadSine:
		return errors.New("the linkage is at a dead point at horn 0: horn and rod are in line, so that turning the horn does not move the part; turn zero or change a length")
	}
	return nil
}

// armSine is the sine of the transmission angle, which is between arm and rod;
// it is positive where the arm is anticlockwise of the line Q to A.
func (f *fourBar) armSine(x, y float64) float64 {
	return (float64(f.horn*math.Sin(y-x)) - float64(f.base*math.Sin(y))) / f.rod
}

// hornSine is the sine of the angle between horn and rod; it is positive where
// the horn is anticlockwise of the line O to B.
func (f *fourBar) hornSine(x, y float64) float64 {
	return (float64(f.arm*math.Sin(x-y)) + float64(f.base*math.Sin(x))) / f.rod
}

// armAngle is Freudenstein's equation solved by way of the diagonal Q to A: the
// arm is off it by the angle of the triangle Q A B at Q. The diagonal's
// direction, and so the arm's, changes continuously over any number of turns:
// the diagonal stays on the side away from the base if the horn is shorter than
// that, and turns with the horn otherwise.
func (f *fourBar) armAngle(x float64) float64 {
	sin, cos := math.Sincos(x / 2)
	diagonal := math.Pi - lean(f.base, f.horn, sin, cos)
	if f.horn >= f.base {
		diagonal = x + lean(f.base, f.horn, sin, cos)
	}
	return diagonal + f.armSide*triangleAngle(f.base, f.horn, f.rod, f.arm, sin, cos)
}

// hornAngle is the same with the roles of horn and arm exchanged, by way of the
// diagonal O to B. The angle between base and arm is a half turn less y, so that
// sine and cosine of the half change places.
func (f *fourBar) hornAngle(y float64) float64 {
	cos, sin := math.Sincos(y / 2)
	return f.counterDiagonal(y) + f.hornSide*triangleAngle(f.base, f.arm, f.rod, f.horn, sin, cos)
}

// counterDiagonal is the direction from O to B.
func (f *fourBar) counterDiagonal(y float64) float64 {
	cos, sin := math.Sincos(y / 2)
	if f.arm < f.base {
		return lean(f.base, f.arm, sin, cos)
	}
	return y - lean(f.base, f.arm, sin, cos)
}

// lean is the angle of the triangle of base and link between the diagonal,
// which is its third side, and the longer of the two. sin and cos are of half
// the angle between base and link.
func lean(base, link, sin, cos float64) float64 {
	shorter := math.Min(base, link)
	return math.Atan2(2*shorter*sin*cos, math.Abs(base-link)+float64(2*shorter*sin*sin))
}

// diagonalSquare is the squared length of the third side of that triangle.
func diagonalSquare(base, link, sin float64) float64 {
	return float64((base-link)*(base-link)) + float64(4*base*link*sin*sin)
}

// triangleAngle is the angle between the diagonal and the other link, in the
// triangle that these two make with the rod.
func triangleAngle(base, link, rod, other, sin, cos float64) float64 {
	across := math.Sqrt(heron(base, link, rod, other, sin, cos))
	return math.Atan2(across, float64((other-rod)*(other+rod))+diagonalSquare(base, link, sin))
}

// heron is 16 times the square of that triangle's area: by Heron's formula the
// product of (rod + other)² - diagonal² and diagonal² - (rod - other)². Each is
// counted from the nearer of the two positions in which base and link are in
// line, so that it stays exact where all four links fold flat. A triangle that
// cannot close, but for rounding, counts as flat.
func heron(base, link, rod, other, sin, cos float64) float64 {
	var stretch, fold float64
	if math.Abs(sin) < math.Abs(cos) {
		swing := float64(4 * base * link * sin * sin)
		stretch = float64(sum(rod, other, base, -link)*sum(rod, other, link, -base)) - swing
		fold = float64(sum(base, other, -link, -rod)*sum(base, rod, -link, -other)) + swing
	} else {
		swing := float64(4 * base * link * cos * cos)
		stretch = float64(sum(rod, other, -base, -link)*sum(rod, other, base, link)) + swing
		fold = float64(sum(base, link, other, -rod)*sum(base, link, rod, -other)) - swing
	}
	return math.Max(float64(stretch*fold), 0)
}

// sum adds four signed lengths, and is zero where that is within the rounding of
// the four: a linkage that folds flat by lengths written as decimals has to fold
// flat here too.
func sum(a, b, c, d float64) float64 {
	total := a + b + c + d
	if math.Abs(total) <= 0x1p-50*(math.Abs(a)+math.Abs(b)+math.Abs(c)+math.Abs(d)) {
		return 0
	}
	return total
}

// Part implements Linkage.
func (f *fourBar) Part(horn float64) (p, d1, d2, d3 float64, ok bool) {
	if !(horn >= f.reachLo && horn <= f.reachHi) || !finite(horn) {
		return 0, 0, 0, 0, false
	}
	x := f.x0 + float64(horn*degree)
	y := f.armAngle(x)
	d1, d2, d3 = f.derivatives(x, y)
	return (y - f.y0) / degree, d1, d2, d3, true
}

// Horn implements Linkage.
func (f *fourBar) Horn(part float64) (h, d1, d2, d3 float64, ok bool) {
	if !(part >= f.partLo && part <= f.partHi) {
		return 0, 0, 0, 0, false
	}
	y := f.y0 + float64(part*degree)
	h = (f.hornAngle(y) - f.turns - f.x0) / degree
	h = math.Min(math.Max(h, f.hornLo), f.hornHi)
	d1, d2, d3 = inverse(f.derivatives(f.x0+float64(h*degree), y))
	return h, d1, d2, d3, true
}

// Range implements Linkage.
func (f *fourBar) Range() (hornLo, hornHi, partLo, partHi float64) {
	return f.hornLo, f.hornHi, f.partLo, f.partHi
}

// derivatives gives dy/dx, d²y/dx² and d³y/dx³, the latter two per degree, by
// implicit differentiation of Freudenstein's equation
//
//	G(x, y) = K1 cos y - K2 cos x + K3 - cos(x - y) = 0
//
// with K1 = base/horn and K2 = base/arm.
func (f *fourBar) derivatives(x, y float64) (d1, d2, d3 float64) {
	sinX, cosX := math.Sincos(x)
	sinY, cosY := math.Sincos(y)
	s, c := math.Sincos(x - y)
	k1, k2 := f.base/f.horn, f.base/f.arm

	gx, gy := float64(k2*sinX)+s, -float64(k1*sinY)-s
	gxx, gxy, gyy := float64(k2*cosX)+c, -c, c-float64(k1*cosY)
	gxxx, gxxy, gxyy, gyyy := -gx, s, -s, -gy

	d1 = -gx / gy
	d2 = -(gxx + float64(2*gxy*d1) + float64(gyy*d1*d1)) / gy
	cubic := gxxx + float64(3*gxxy*d1) + float64(3*gxyy*d1*d1) + float64(gyyy*d1*d1*d1)
	d3 = -(cubic + float64(3*(gxy+float64(gyy*d1))*d2)) / gy
	return d1, float64(d2 * degree), float64(d3 * degree * degree)
}

// findRange bounds the travel by the nearest dead points either side of horn 0.
func (f *fourBar) findRange() {
	lo, hi := math.Inf(-1), math.Inf(1)
	within := func(x float64) {
		ahead := math.Mod(x-f.x0, turn)
		if ahead < 0 {
			ahead += turn
		}
		lo, hi = math.Max(lo, ahead-turn), math.Min(hi, ahead)
	}
	f.armDeadPoints(within)
	f.reachLo, f.reachHi = lo/degree+margin, hi/degree-margin
	f.hornDeadPoints(within)
	f.hornLo = math.Max(lo/degree+margin, -360)
	f.hornHi = math.Min(hi/degree-margin, 360)
	f.partLo, _, _, _, _ = f.Part(f.hornLo)
	f.partHi, _, _, _, _ = f.Part(f.hornHi)
	if f.partLo > f.partHi {
		f.partLo, f.partHi = f.partHi, f.partLo
	}
}

// armDeadPoints calls found with the horn angles at which rod and arm are in
// line, stretched or folded.
func (f *fourBar) armDeadPoints(found func(x float64)) {
	for _, arm := range [...]float64{f.arm, -f.arm} {
		if angle, ok := flatAngle(f.base, f.horn, f.rod, arm); ok {
			found(angle)
			found(-angle)
		}
	}
}

// hornDeadPoints calls found with the horn angles at which horn and rod are in
// line on this branch: the part turns back there.
func (f *fourBar) hornDeadPoints(found func(x float64)) {
	for _, horn := range [...]float64{f.horn, -f.horn} {
		inner, ok := flatAngle(f.base, f.arm, f.rod, horn)
		if !ok {
			continue
		}
		for _, y := range [...]float64{math.Pi - inner, math.Pi + inner} {
			x := f.counterDiagonal(y)
			if horn < 0 && f.rod > f.horn {
				x += math.Pi // folded back over a longer rod
			}
			if f.armSide*f.armSine(x, y) >= -1e-9 {
				found(x)
			}
		}
	}
}

// flatAngle is the angle between base and link at which the diagonal is rod +
// other (stretched; or folded if other is given as negative), from the tangent of
// its half.
func flatAngle(base, link, rod, other float64) (float64, bool) {
	sin2 := float64(sum(rod, other, link, -base) * sum(rod, other, base, -link))
	cos2 := float64(sum(base, link, rod, other) * sum(base, link, -rod, -other))
	if sin2 < 0 || cos2 < 0 {
		return 0, false
	}
	return 2 * math.Atan2(math.Sqrt(sin2), math.Sqrt(cos2)), true
}
