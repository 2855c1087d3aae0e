"""The noise model of settling, integrated a second time with scipy.

Of n reads of a bit, w are wrong with chance

    C(n,w) ((1-s) q0^w (1-q0)^(n-w) + s * integral of 2 q^w (1-q)^(n-w) over q from 0 to 1/2),

ln q0 being even from ln 1e-8 to ln 0.1 and ln s from ln 1e-8 to 0 before anything was read.

The outlook on further reads cuts that into kinds of noise, equally likely by what was read, and follows each of them.
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


def kinds(votes, how_many):
    """The noise by how likely it is now, cut into so many parts of equal weight in the order of s / q0: (q0, s, weights)."""
    x, y = np.linspace(LOW, HIGH_NOISE, 1801), np.linspace(LOW, -1e-9, 1801)
    log_q0, log_s = (a.ravel() for a in np.meshgrid(x, y))
    edges = np.outer(*(np.where((a == a[0]) | (a == a[-1]), 0.5, 1.0) for a in (y, x))).ravel()
    likely = log_likelihood(votes, np.exp(log_q0), np.exp(log_s))
    weight = np.exp(likely - likely.max()) * edges
    order = np.argsort(log_s - log_q0, kind="stable")
    order = order[weight[order] > 1e-13]
    weight = weight[order] / weight[order].sum()
    upto = np.cumsum(weight)
    parts = []
    for kind in range(how_many):
        low, high = kind / how_many, (kind + 1) / how_many
        part = np.clip(np.minimum(upto, high) - np.maximum(upto - weight, low), 0, None) * how_many
        held = part > 0
        parts.append((np.exp(log_q0[order][held]), np.exp(log_s[order][held]), part[held]))
    return parts


def outlook(case):
    """What is wrong or open after further reads, kind by kind, each kind weighed anew by the votes to come."""
    votes, doubt, how_many = case["votes"], case["doubt"], case["kinds"]
    parts = kinds(votes, how_many)
    known = {}

    def chances(n, w):
        """By kind, the chance of one sequence of n reads of which w are wrong."""
        if (n, w) not in known:
            known[n, w] = np.array([np.sum(p * sequence(n, w, q0, s)) for q0, s, p in parts])
        return known[n, w]

    def vote(n, k):
        return sum(chances(n, w) for w in sides(n, k))

    out = []
    for m in case["more"]:
        left, wrong_of, open_of = [], [], []
        for kind in range(how_many):
            to_come = {}
            for n, k, bits in votes:
                for w in sides(n, k):
                    for f in range(m + 1):
                        p = bits * comb(m, f) * chances(n + m, w + f)[kind] / vote(n, k)[kind]
                        to_come[n + m, w + f] = to_come.get((n + m, w + f), 0) + p
            likely = -sum(bits * np.log(vote(n, k)) for n, k, bits in votes)
            for (n, w), bits in to_come.items():
                likely = likely + bits * np.log(vote(n, min(w, n - w)))
            weights = np.exp(likely - likely.max())
            bad = still = 0.0
            for (n, w), bits in to_come.items():
                k = min(w, n - w)
                against = np.sum(weights * chances(n, n - k)) / np.sum(weights * (chances(n, k) + chances(n, n - k)))
                if 2 * k == n or (k > 0 and against > doubt):
                    still += bits
                elif 2 * w > n:
                    bad += bits
            left.append(bad + still)
            wrong_of.append(bad)
            open_of.append(still)
        left = np.array(left)
        more = left[left >= 1]
        out.append(
            {
                "wrong": float(np.mean(wrong_of)),
                "open": float(np.mean(open_of)),
                "enough": float(np.mean(left < 1)),
                "otherwise": float(more.mean()) if more.size else 0.0,
            }
        )
    return out


asked = json.load(sys.stdin)
json.dump([outlook(case) if "kinds" in case else answer(case) for case in asked["cases"]], sys.stdout)
