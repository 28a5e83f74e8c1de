"""Makes small.json: optima of small random cases of the nearest-motion
programme, by a general-purpose solver.

    minimise 1/2 sum (x - ref)^2
    subject to |diff x| <= V/fs, |diff^2 x| <= A/fs^2, |diff^3 x| <= J/fs^3,
               low <= x <= high, x = ref at fixed_idx

Solver: cvxopt.solvers.qp (primal-dual interior point, dense rows) at tolerances
of 1e-12, on Debian 12's python3-cvxopt. An optimum is kept only when the
KKT conditions hold with multipliers found by scipy.optimize.nnls (non-negative
least squares over the active rows), to a stationarity residual of 1e-5 degrees. Run: /usr/bin/python3 make_small.py > small.json
"""
import json

import numpy as np
from cvxopt import matrix, solvers, spmatrix
from scipy.optimize import nnls

solvers.options.update(show_progress=False, abstol=1e-12, reltol=1e-12, feastol=1e-12, maxiters=200)


def differences(n, k):
    return np.diff(np.eye(n), k, axis=0)


def script(rng, n):
    kind = rng.integers(0, 4)
    t = np.arange(n)
    if kind == 0:
        return np.cumsum(rng.normal(0, 3, n))
    if kind == 1:
        return np.where(t < n // 2, 0.0, rng.uniform(-40, 40))
    if kind == 2:
        return 30 * np.sin(t * rng.uniform(0.1, 1.0))
    return rng.uniform(-50, 50, n)


def rows(case, n):
    g, h = [], []
    limits = [case["V"] / case["fs"] if case["V"] else None,
              case["A"] / case["fs"] ** 2 if case["A"] else None,
              case["J"] / case["fs"] ** 3 if case["J"] else None]
    for k, limit in enumerate(limits, 1):
        if limit is None or n <= k:
            continue
        d = differences(n, k)
        g += [d / limit, -d / limit]
        h += [np.ones(n - k)] * 2
    if case["high"] is not None:
        g.append(np.eye(n))
        h.append(np.full(n, case["high"]))
    if case["low"] is not None:
        g.append(-np.eye(n))
        h.append(np.full(n, -case["low"]))
    return np.vstack(g), np.concatenate(h)


def solve(case, ref):
    n = len(ref)
    g, h = rows(case, n)
    args = []
    if case["fixed_idx"]:
        e = np.eye(n)[case["fixed_idx"]]
        args = [matrix(e), matrix(ref[case["fixed_idx"]])]
    s = solvers.qp(spmatrix(1.0, range(n), range(n)), matrix(-ref), matrix(g), matrix(h), *args)
    if s["status"] != "optimal":
        return None
    x = np.array(s["x"]).ravel()
    active = g[h - g @ x < 1e-6]
    fixed = np.eye(n)[case["fixed_idx"]]
    cone = np.vstack([active, fixed, -fixed])
    rest = nnls(cone.T, ref - x, maxiter=10000)[1] if len(cone) else np.linalg.norm(ref - x)
    return x if rest < 1e-5 else None


def main():
    rng = np.random.default_rng(20)
    cases = []
    for n in [1, 2, 3, 4, 4, 5, 6, 7, 8] + [int(v) for v in rng.integers(9, 61, 60)]:
        for _ in range(20):
            low, high = [(None, None), (-25.0, 25.0), (None, 20.0), (-20.0, None)][rng.integers(0, 4)]
            case = {"fs": float(rng.choice([25, 50, 60])), "V": float(rng.choice([0, 60, 200, 350])),
                    "A": float(rng.choice([0, 1000, 2500, 8000])), "J": float(rng.choice([0, 30000, 120000])),
                    "low": low, "high": high}
            if not (case["V"] or case["A"] or case["J"] or low or high):
                continue
            ref = np.round(script(rng, n), 3)
            hits = sorted(rng.choice(n, rng.integers(0, 3), replace=False).tolist()) if n > 8 else []
            case["fixed_idx"] = [int(i) for i in hits if (low or -99) <= ref[i] <= (high or 99)]
            try:
                x = solve(case, ref)
            except (ValueError, ArithmeticError):
                x = None
            if x is None:
                continue
            case["id"] = len(cases)
            case["ref"] = ref.tolist()
            case["objective_half_sum_sq"] = float(0.5 * np.sum((x - ref) ** 2))
            case["x"] = np.round(x, 8).tolist()
            cases.append(case)
            break
    about = ["Optima by make_small.py in this folder: cvxopt.solvers.qp at tolerances of 1e-12, KKT conditions confirmed with scipy.optimize.nnls.",
             "Degrees; a V, A or J of 0, a low or high of null is no limit. x is rounded to 1e-8."]
    print(json.dumps({"about": about, "cases": cases}, separators=(",", ":")))


main()
