package nearest

// pad is how many zeros come before the first row of a weighted difference, so
// that a column finds all four rows that may touch it without a test.
const pad = 3

// bands is a symmetric positive definite matrix of half-bandwidth 3, factorised
// as L D L' with L unit lower triangular. l1[i], l2[i] and l3[i] are L[i][i-1],
// L[i][i-2] and L[i][i-3] (0 before the first column), pivot[i] is 1/D[i].
type bands struct{ l1, l2, l3, pivot []float64 }

func newBands(n int) bands {
	all := make([]float64, 4*n)
	return bands{all[:n:n], all[n : 2*n : 2*n], all[2*n : 3*n : 3*n], all[3*n:]}
}

// factorise sets b to the factors of
//
//	I + sum_k D_k' diag(w[k]) D_k
//
// with D_k the forward difference of order k, and with the rows and columns
// where free is 0 replaced by those of the identity. w[k] holds the weight of
// row i at i+pad. A pass of constant work a column; nothing is allocated.
func (b bands) factorise(free []float64, w [4][]float64) {
	n := len(free)
	l1, l2, l3, pivot := b.l1[:n], b.l2[:n], b.l3[:n], b.pivot[:n]
	w0, w1, w2, w3 := w[0][:n+pad], w[1][:n+pad], w[2][:n+pad], w[3][:n+pad]
	var f1, f2, f3 float64                // free of the three columns before
	var p1, p2, p3 float64                // their inverse pivots
	var below11, below21, below12 float64 // L[i-1][i-2], L[i-1][i-3], L[i-2][i-3]
	for i, f := range free {
		a0, b0, c0, d0 := w3[i+3], w3[i+2], w3[i+1], w3[i]
		a1, b1, c1 := w2[i+3], w2[i+2], w2[i+1]
		a2, b2 := w1[i+3], w1[i+2]
		diagonal := w0[i+3] + (a2 + b2) + (a1 + float64(4*b1) + c1) + (a0 + d0 + float64(9*(b0+c0)))
		u1 := -b2 - float64(2*(b1+c1)) - (float64(3*(b0+d0)) + float64(9*c0))
		u2 := c1 + float64(3*(c0+d0))
		u1, u2 = float64(float64(u1*f)*f1), float64(float64(u2*f)*f2)
		u3 := -float64(float64(d0*f) * f3)
		u2 -= float64(u3 * below12)
		u1 -= float64(u3*below21) + float64(u2*below11)
		m3, m2, m1 := float64(u3*p3), float64(u2*p2), float64(u1*p1)
		d := 1 + float64(diagonal*f) - float64(u3*m3) - float64(u2*m2) - float64(u1*m1)
		// Rounding can take more than the whole of the identity's share.
		d = max(d, least)
		p := 1 / d
		l1[i], l2[i], l3[i], pivot[i] = m1, m2, m3, p
		f3, f2, f1 = f2, f1, f
		p3, p2, p1 = p2, p1, p
		below12, below21, below11 = below11, m2, m1
	}
}

// least is the smallest pivot: exact arithmetic gives none below 1.
const least = 0.5

// solve replaces y by the solution of L D L' x = y.
func (b bands) solve(y []float64) {
	n := len(y)
	l1, l2, l3, pivot := b.l1[:n], b.l2[:n], b.l3[:n], b.pivot[:n]
	var y1, y2, y3 float64 // the three values before
	for i := range y {
		v := y[i] - float64(l3[i]*y3) - float64(l2[i]*y2) - float64(l1[i]*y1)
		y[i] = v
		y3, y2, y1 = y2, y1, v
	}
	var t1, t2, t3 float64 // what the columns after take from this one and the two before
	for i := n - 1; i >= 0; i-- {
		x := float64(y[i]*pivot[i]) - t1
		y[i] = x
		t1 = t2 + float64(l1[i]*x)
		t2 = t3 + float64(l2[i]*x)
		t3 = float64(l3[i] * x)
	}
}

// gradient sets y to free times (ref - x - sum_k D_k' q[k]), q padded as the
// weights of factorise are.
func gradient(y, free, ref, x []float64, q [4][]float64) {
	n := len(y)
	free, ref, x = free[:n], ref[:n], x[:n]
	q0, q1, q2, q3 := q[0][:n+pad], q[1][:n+pad], q[2][:n+pad], q[3][:n+pad]
	for i := range y {
		sum := q0[i+3] + (q1[i+2] - q1[i+3]) + ((q2[i+3] - q2[i+2]) - (q2[i+2] - q2[i+1])) +
			((q3[i] - q3[i+3]) + float64(3*(q3[i+2]-q3[i+1])))
		y[i] = free[i] * ((ref[i] - x[i]) - sum)
	}
}
