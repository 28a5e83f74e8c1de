// Package linkage tells how a servo's horn moves a part: by a four-bar linkage
// in closed form, or by a measured table.
//
// # Four-bar
//
// Two fixed pivots, O of the servo's horn and Q of the part's arm, stand base
// apart; a rod joins the ends A of the horn and B of the arm.
//
//	                B
//	       rod    .-o
//	          .-'    \  arm
//	    A .-'         \
//	     o             \
//	horn |  zero + h    \  theta
//	     |_              \_
//	- - -O- -'- - - - - - Q- -'- - - - - -> direction of the base line
//	     |<---- base ---->|
//
// Angles are measured anticlockwise from the direction O to Q. The horn stands
// at zero + h, where h is the horn's angle; the arm stands at theta, measured at
// Q from the same direction. The part's angle is p = theta(zero+h) - theta(zero),
// so that part 0 is horn 0.
//
// For each horn angle the linkage can be put together in two ways, one the
// mirror image of the other in the line A to Q. They are named as textbooks of
// mechanisms do (Norton, Design of Machinery, chapter 4): with theta4 =
// 2 atan2(-B ∓ √(B²-4AC), 2A), the closed solution of Freudenstein's equation,
// the minus sign is the open linkage and the plus sign the crossed one. In the
// open one the arm is clockwise of the line Q to A, as drawn.
//
// Angles are in degrees and lengths in millimetres, of which only the ratios
// matter.
package linkage

import "math"

// Linkage is a one-to-one relation between a servo's horn and the part that it
// moves, on a stretch about horn 0.
type Linkage interface {
	// Part gives the part's angle p at a horn angle, and its first three
	// derivatives by the horn angle (per degree). It is not ok where the
	// mechanism cannot get to from horn 0.
	Part(horn float64) (p, d1, d2, d3 float64, ok bool)

	// Horn is the inverse: the horn angle at a part's angle, with its first
	// three derivatives by the part's angle. It is ok within Range.
	Horn(part float64) (h, d1, d2, d3 float64, ok bool)

	// Range is the widest stretch about horn 0 on which the part can be
	// reached and moves strictly one way: no dead point is inside. Of a table
	// it is the whole. Where a rising horn makes the part fall, partLo belongs
	// to hornHi.
	Range() (hornLo, hornHi, partLo, partHi float64)
}

const (
	degree = math.Pi / 180 // radians

	largestAngle  = 1e6 // degrees: more turns than any horn makes
	largestLength = 1e5 // millimetres: 100 m
	largestRatio  = 1e6 // of the longest link to the shortest
)

func finite(v float64) bool { return v-v == 0 }

// inverse gives the derivatives of the inverse function from those of the
// function, by differentiating x(y(x)) = x three times.
func inverse(d1, d2, d3 float64) (i1, i2, i3 float64) {
	i1 = 1 / d1
	i2 = float64(-d2 * i1 * i1 * i1)
	i3 = float64((float64(3*d2*d2) - float64(d1*d3)) * i1 * i1 * i1 * i1 * i1)
	return i1, i2, i3
}
