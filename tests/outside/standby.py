"""Battery life by numerical integration: the same question, asked of scipy.

Reads the tables as they are shipped and a list of cases as JSON on standard input; writes the answers as JSON. Nothing
of the program's own arithmetic is used: the year is cut into blocks of temperature and of on and off, and the charge
is integrated through them until the voltage at the memory's pin meets the retention voltage.
"""

import json
import sys
import tomllib
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

tables = Path(sys.argv[1])
cells = tomllib.loads((tables / "cells.toml").read_text(encoding="utf-8"))
parts = tomllib.loads((tables / "parts.toml").read_text(encoding="utf-8"))
HOURS = 8760.0


def rate_per_hour(loss, celsius):
    hours = {"month": HOURS / 12, "year": HOURS}[loss["per"]]
    # The share that is lost in that time defines the rate: solved, not transformed.
    k = brentq(lambda k: np.exp(-k * hours) - (1 - loss["typical"]), 0, 1)
    return k * 2 ** ((celsius - loss["celsius"]) / 10)


def diode(part, amps, celsius):
    table = np.array(part["drop"]["typical"])
    logs = np.log10(table[:, 0])
    x = np.log10(amps)
    if len(table) > 1 and x < logs[0]:
        volts = np.polyval(np.polyfit(logs[:2], table[:2, 1], 1), x)
    elif len(table) > 1 and x > logs[-1]:
        volts = np.polyval(np.polyfit(logs[-2:], table[-2:, 1], 1), x)
    else:
        volts = np.interp(x, logs, table[:, 1])
    return max(0.0, volts + part["slope"] * (celsius - 25))


def life(case):
    size = cells["size"][case["battery"]]
    chemistry = cells["chemistry"][size["chemistry"]]
    full = size["capacity"]["typical"] / 1000
    used, volts = np.array(chemistry["curve"]["points"]).T
    profile = case["profile"]
    load = lambda celsius: case["amps"] * 2 ** ((celsius - 25) / 10)
    mean = sum(h * load(t) for h, t in profile) / sum(h for h, _ in profile)
    warmth = sum(h * t for h, t in profile) / sum(h for h, _ in profile)
    lost = diode(parts["blocking"][case["blocking"]], mean, warmth) + mean * case["ohms"]

    def pin(charge):
        return size["cells"] * np.interp(1 - charge / full, used, volts) - lost

    on = 0 if chemistry.get("rechargeable") else case["hours_on"] / HOURS
    cycle = case["cycle_hours"]
    blocks = []
    for hours, celsius in profile:
        share = hours / HOURS * cycle
        k = rate_per_hour(chemistry["loss"], celsius)
        blocks.append((share * (1 - on), load(celsius), k))
        if on:
            blocks.append((share * on, 0.0, k))

    # The end: the retention voltage at the pin, or the end of the curve.
    def end(_, charge):
        return min(pin(charge[0]) - case["retention"], charge[0] / full)

    end.terminal = True
    end.direction = -1
    now, charge = 0.0, full
    if end(now, [charge]) <= 0:
        return {"years": 0.0, "pin": float(pin(full))}
    while now < 60 * HOURS:
        for hours, amps, k in blocks:
            done = solve_ivp(
                lambda _, q: [-amps - k * q[0]], (now, now + hours), [charge], rtol=1e-8, atol=1e-12, events=end
            )
            if done.t_events[0].size:
                return {"years": done.t_events[0][0] / HOURS, "pin": float(pin(full))}
            now, charge = now + hours, done.y[0][-1]
    return {"years": now / HOURS, "pin": float(pin(full))}


json.dump([life(case) for case in json.load(sys.stdin)], sys.stdout)
