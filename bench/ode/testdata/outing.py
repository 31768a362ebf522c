#!/usr/bin/python3
"""Reference for TestOutingAgainstSciPy: the equations of outing_test.go, written
again in Python and solved by SciPy's Radau at rtol 1e-12 over the first four
corners of its programme. Writes outing.csv beside it:

    python3 outing.py

Every number of the system is invented. Columns: time in s, then the forty states.
"""

import csv
import pathlib

import numpy as np
import scipy
from scipy.integrate import solve_ivp

N, PARTS = 40, 8
THROTTLE = [0.3, 0.6, 0.9, 0.5]
SEGMENT = 7200 / 20
AIR = 293.0
CAPACITY = [2, 60, 700, 9000]  # J/K


def derivatives(_, y, throttle):
    d = np.empty(N)
    i, link, omega, v = y[:4]
    node = lambda part, k: 8 + 4 * part + k
    winding = 0.012 * (1 + 0.0039 * (y[node(0, 0)] - 293))
    bridge = 0.004 * (1 + 0.006 * (y[node(1, 0)] - 293))
    derate = min(1, max(0, (400 - y[node(1, 1)]) / 40))
    limit = 300 * derate
    wanted = (throttle * link - 0.11 * omega) / (winding + bridge)
    wanted = min(limit, max(-limit, wanted))
    d[0] = (wanted - i) / 1e-3
    battery = (51.2 - 2 * min(1, y[4] / 7.2e5) - y[5] - y[6] - link) / (0.015 * (1 - 0.002 * (y[node(4, 0)] - 298)))
    d[1] = (battery - throttle * i) / 0.02
    thrust = 0.004 * omega * (omega - 18 * v)
    d[2] = (0.11 * i - 0.0009 * omega * abs(omega) - 0.02 * thrust) / 0.05
    d[3] = (thrust - 18 * v * abs(v)) / 900
    d[4] = battery
    d[5] = battery / 2000 - y[5] / 20
    d[6] = battery / 60000 - y[6] / 900
    d[7] = link * battery
    heat = [
        winding * i * i,
        bridge * i * i + 0.1 * abs(i),
        0.3 * abs(omega),
        0.0005 * i * i,
        0.015 * battery * battery,
        0.0004 * battery * battery,
        0.0006 * battery * battery,
        0.002 * i * i * throttle,
    ]
    for p in range(PARTS):
        n, size, above = node(p, 0), 1 + 0.4 * p, heat[p]
        for k in range(4):
            if k < 3:
                below = 20 * size * (y[n + k] - y[n + k + 1])
            else:
                rise = y[n + k] - AIR
                below = 4 * size * rise * (abs(rise) + 0.1) ** 0.25
            d[n + k] = (above - below) / (CAPACITY[k] * size)
            above = below
    return d


def main():
    y = np.zeros(N)
    y[1] = 51.2
    y[8:] = 293
    size = np.array([100, 50, 100, 3, 7e5, 1, 1, 3e7] + [100.0] * 32)
    rows = []
    for corner, throttle in enumerate(THROTTLE):
        s = solve_ivp(derivatives, (corner * SEGMENT, (corner + 1) * SEGMENT), y, method="Radau",
                      rtol=1e-12, atol=1e-12 * size, args=(throttle,))
        assert s.success, s.message
        y = s.y[:, -1]
        rows.append([s.t[-1], *y])
        print(f"corner {corner}: {len(s.t)} steps, scipy {scipy.__version__}", flush=True)
    with open(pathlib.Path(__file__).with_name("outing.csv"), "w", newline="") as f:
        f.write(f"# outing.py, SciPy {scipy.__version__} Radau, rtol 1e-12, invented system; t in s, then states\n")
        csv.writer(f, lineterminator="\n").writerows([[repr(float(v)) for v in r] for r in rows])


main()
