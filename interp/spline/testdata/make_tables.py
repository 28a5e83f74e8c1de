#!/usr/bin/env python3
"""Makes scipy_tables.json, the reference splines of spline_test.go.

Run with Debian 12's python3-scipy (scipy 1.10.1, numpy 1.24.2):

    python3 make_tables.py > scipy_tables.json

pchip, akima and natural and clamped cubics are scipy's own. catmull-rom has no
class there: its tangents are written out from the definition and handed to
CubicHermiteSpline. Akima over two knots is left out (this scipy reads memory
that it never set).
"""
import json
import sys

import numpy
import scipy
from scipy.interpolate import (Akima1DInterpolator, CubicHermiteSpline,
                               CubicSpline, PchipInterpolator)

rng = numpy.random.default_rng(20240)


def catmull_rom(t, y):
    inner = (y[2:] - y[:-2]) / (t[2:] - t[:-2])
    first = (y[1] - y[0]) / (t[1] - t[0])
    last = (y[-1] - y[-2]) / (t[-1] - t[-2])
    return CubicHermiteSpline(t, y, numpy.concatenate([[first], inner, [last]]))


KINDS = {
    "pchip": PchipInterpolator,
    "akima": Akima1DInterpolator,
    "cubic": lambda t, y: CubicSpline(t, y, bc_type="clamped"),
    "natural": lambda t, y: CubicSpline(t, y, bc_type="natural"),
    "catmull-rom": catmull_rom,
}


def times(n, even):
    if even:
        return numpy.arange(n) * 0.25
    return numpy.round(numpy.cumsum(rng.uniform(0.02, 1.5, n)), 4)


def values(n, how):
    if how == "walk":
        return numpy.round(numpy.cumsum(rng.normal(0, 20, n)), 3)
    if how == "steps":  # with flat stretches and jumps
        return numpy.round(rng.integers(0, 3, n) * 30.0, 1)
    if how == "monotone":
        return numpy.round(numpy.cumsum(rng.uniform(0, 9, n)), 3)
    return numpy.full(n, 12.5)


def case(kind, n, even, how):
    t, y = times(n, even), values(n, how)
    q = numpy.unique(numpy.concatenate([t, rng.uniform(t[0], t[-1], min(10, 2 * n))]))
    curve = KINDS[kind](t, y)
    return {"kind": kind, "values": how, "t": t.tolist(), "y": y.tolist(), "q": q.tolist(),
            "v": [curve(q, nu).tolist() for nu in range(3)]}


cases = [case(kind, n, even, how)
         for kind in KINDS
         for n in (2, 3, 4, 5, 9, 24)
         for even, how in ((True, "walk"), (False, "walk"), (False, "steps"), (False, "monotone"), (False, "level"))
         if not (kind == "akima" and n == 2)
         if not (how == "level" and n not in (3, 9))]
# Slopes that change by less than 1e-9 of the greatest change take Akima's plain
# mean even where they do change: the test is against the whole curve.
t = numpy.arange(9.0)
y = numpy.array([0, 1, 2, 3 + 1e-4, 4, 5, 1e6, -1e6, 0])
cases.append({"kind": "akima", "values": "tiny beside huge", "t": t.tolist(), "y": y.tolist(), "q": t.tolist(),
              "v": [Akima1DInterpolator(t, y)(t, nu).tolist() for nu in range(3)]})

json.dump({"source": f"made by make_tables.py with scipy {scipy.__version__}, numpy {numpy.__version__}",
           "fields": "t, y knots; q query points; v[k] the k-th derivative at q (at a knot that of the segment that "
                     "starts there, at the last knot that of the last segment)",
           "cases": cases}, sys.stdout, separators=(",", ":"))
print()
