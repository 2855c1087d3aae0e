"""The noise model of settling, integrated a second time with scipy.

Of n reads of a bit, w are wrong with chance

    C(n,w) ((1-s) q0^w (1-q0)^(n-w) + s * integral of 2 q^w (1-q)^(n-w) over q from 0 to 1/2),

ln q0 being even from ln 1e-8 to ln 0.1 and ln s from ln 1e-8 to 0 before anything was read.
"""

import json
import sys
from math import comb, log

import numpy as np
from scipy.integrate import quad, quad_vec, simpson
from scipy.optimize import minimize
from scipy.special import beta, betainc

LOW = log(1e-8)
HIGH_NOISE = log(0.1)


def shaky(n, w):
    """Integral of 2 q^w (1-q)^(n-w) from 0 to 1/2, by the incomplete beta function, checked by quadrature."""
    closed = 2 * betainc(w + 1, n - w + 1, 0.5) * beta(w + 1, n - w + 1)
    numeric = quad(lambda q: 2 * q**w * (1 - q) ** (n - w), 0, 0.5, epsabs=0, epsrel=1e-10)[0]
    assert abs(closed - numeric) <= 1e-8 * closed, (n, w, closed, numeric)
    return closed


SHAKY = {}


def sequence(n, w, q0, s):
    """Chance of one sequence of n reads of which w are wrong."""
    if (n, w) not in SHAKY:
        SHAKY[n, w] = shaky(n, w)
    return (1 - s) * q0**w * (1 - q0) ** (n - w) + s * SHAKY[n, w]


def sides(n, k):
    return {k, n - k}


def log_likelihood(votes, q0, s):
    total = 0.0
    for n, k, bits in votes:
        if n > 0:
            total = total + bits * np.log(comb(n, k) * sum(sequence(n, w, q0, s) for w in sides(n, k)))
    return total


def averages(votes, wanted):
    """Averages of functions of (q0, s) under what the votes leave likely."""
    def negative(at):
        return -float(log_likelihood(votes, np.exp(at[0]), np.exp(at[1])))

    bounds = [(LOW, HIGH_NOISE), (LOW, -1e-9)]
    tried = [
        minimize(negative, start, bounds=bounds, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-7})
        for start in [(-14.0, -10.0), (-6.0, -12.0), (-16.0, -4.0), (-4.0, -4.0)]
    ]
    best = min(tried, key=lambda t: t.fun)
    # Noise points: dense everywhere, denser by far about the peak.
    near = best.x[0] + np.linspace(-1.5, 1.5, 1501)
    noise = np.unique(np.concatenate([np.linspace(LOW, HIGH_NOISE, 2001), near]))
    noise = noise[(noise >= LOW) & (noise <= HIGH_NOISE)]
    q0 = np.exp(noise)

    def inner(log_share):
        s = np.exp(log_share)
        weight = np.exp(log_likelihood(votes, q0, s) + best.fun)
        return np.array([simpson(weight, x=noise)] + [simpson(weight * f(q0, s), x=noise) for f in wanted])

    spots = sorted({t.x[1] for t in tried} | {best.x[1] + d for d in (-1, -0.3, -0.1, 0.1, 0.3, 1)})
    spots = [p for p in spots if LOW < p < 0]
    sums, _ = quad_vec(inner, LOW, 0, epsrel=1e-5, epsabs=0, norm="max", limit=4000, points=spots)
    return sums[1:] / sums[0]


def answer(case):
    votes, doubt = case["votes"], case["doubt"]
    # Every chance needed is an average of `sequence` for some number of reads and of wrong ones.
    keys = set()
    for n, k, _ in votes:
        for m in case["more"]:
            for w in sides(n, k):
                keys |= {(n + m, x) for x in range(w, w + m + 1)} | {(n + m, n + m - x) for x in range(w, w + m + 1)}
        keys |= {(n, w) for w in sides(n, k)}
    keys = sorted(keys)
    wanted = [(lambda q0, s, n=n, w=w: sequence(n, w, q0, s)) for n, w in keys]
    chance = dict(zip(keys, averages(votes, wanted)))

    def wrong(n, k):
        if 2 * k >= n:
            return 0.5
        return chance[n, n - k] / (chance[n, k] + chance[n, n - k])

    forecasts = []
    for m in case["more"]:
        bad = left = 0.0
        for n, k, bits in votes:
            seen = sum(chance[n, w] for w in sides(n, k))
            for w in sides(n, k):
                for f in range(m + 1):
                    p = bits * comb(m, f) * chance[n + m, w + f] / seen
                    total, against = n + m, min(w + f, n + m - w - f)
                    if 2 * against == total or (against > 0 and wrong(total, against) > doubt):
                        left += p
                    elif 2 * (w + f) > total:
                        bad += p
        forecasts.append([bad, left])
    return {"wrong": [wrong(n, k) for n, k, _ in votes], "forecast": forecasts}


json.dump([answer(case) for case in json.load(sys.stdin)["cases"]], sys.stdout)
