#!/usr/bin/env python3
"""Makes scipy_tables.json, what fit_test.go holds smoothing and curves against.

Run with Debian 12's python3-scipy (scipy 1.10.1, numpy 1.24.2):

    python3 make_tables.py > scipy_tables.json

smooth: scipy.interpolate.make_smoothing_spline at its own sites, with weights that are
the time between samples and lam = (2 pi cutoff)^-4; made-up values.
swing: scipy.signal.butter(2, cutoff) run forwards and backwards by filtfilt over a noise
at 2000 samples a second, of which the middle second is kept (away from its transients).
curve: scipy.interpolate.CubicSpline with bc_type 'clamped' and 'natural' through keys such as
a take becomes, rounded to 0.1 and on frames of 24 a second.
"""
import json

import numpy
import scipy
from scipy.interpolate import CubicSpline, make_smoothing_spline
from scipy.signal import butter, filtfilt

rng = numpy.random.default_rng(31)


def weights(t):
    w = numpy.empty_like(t)
    w[0], w[-1] = (t[1] - t[0]) / 2, (t[-1] - t[-2]) / 2
    w[1:-1] = (t[2:] - t[:-2]) / 2
    return w


smooth = []
for n, cutoff in [(6, 10), (25, 4), (80, 10), (80, 25)]:
    t = numpy.cumsum(rng.uniform(0.004, 0.03, n))
    y = 30 * numpy.sin(5 * t) + rng.normal(0, 1, n)
    f = make_smoothing_spline(t, y, weights(t), lam=(2 * numpy.pi * cutoff) ** -4.0)(t)
    smooth.append({"cutoff": cutoff, "t": list(t), "y": list(y), "f": list(f)})

rate, cutoff = 2000, 10
y = numpy.cumsum(rng.normal(0, 1, 3 * rate))
swing = {"rate": rate, "cutoff": cutoff, "y": list(numpy.round(y, 6)),
         "first": rate, "every": 50}
swing["f"] = list(filtfilt(*butter(2, cutoff, fs=rate), numpy.array(swing["y"]))[rate:2 * rate:50])

keys = [(0, 0), (7, 0.1), (10, 8.4), (14, 41.7), (17, 50.2), (22, 48.9), (29, -3.3), (33, -31.6), (40, -35.2), (60, -35.1)]
curve = []
for kind, bc in [("cubic", "clamped"), ("natural", "natural")]:
    t, v = numpy.array([k[0] / 24 for k in keys]), numpy.array([k[1] for k in keys])
    q = numpy.linspace(0, t[-1], 97)
    curve.append({"kind": kind, "t": list(t), "y": list(v), "q": list(q), "v": list(CubicSpline(t, v, bc_type=bc)(q))})

print(json.dumps({"scipy": scipy.__version__, "numpy": numpy.__version__, "smooth": smooth, "swing": swing, "curve": curve}))
