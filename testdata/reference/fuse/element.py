#!/usr/bin/python3
"""Fuse elements whose resistance rises up to melting, solved by SciPy: reference for TestChecksFuseElement (bench/thermal).

    python3 element.py > golden/element.json      (40 histories each; another number as argument)

An element is a chain: the notch that melts, the strip beside it, the body. Temperatures are rises over the rise at
melting; a node k takes i^2 w_k (1 + alpha theta_k) and passes heat on through conductances. For each of a few invented
elements: points of its time-current curve, its least melting current, and melting instants under current histories, from
cold: warm starts, pulses, ramps in steps, pauses. A time-current curve is all the tool is given.
"""

import json
import math
import random
import sys

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

LONGEST = 1e7  # s; longer counts as never


class Element:
    def __init__(self, alpha, capacity, conductance, share):
        self.alpha, self.C, self.g, self.w = alpha, np.array(capacity), np.array(conductance), np.array(share) / sum(share)

    def rate(self, _, theta, square):
        q = square * self.w * (1 + self.alpha * theta)
        out = self.g * (theta - np.append(theta[1:], 0))
        out[1:] -= out[:-1].copy()
        # out now holds, per node, what leaves less what comes from the node before
        return (q - out) / self.C

    def matrix(self, square):
        n = len(self.C)
        A = np.zeros((n, n))
        for k in range(n):
            A[k, k] = square * self.w[k] * self.alpha - self.g[k]
            if k + 1 < n:
                A[k, k + 1] = self.g[k]
            if k:
                A[k, k] -= self.g[k - 1]
                A[k, k - 1] = self.g[k - 1]
        return A

    def least(self):
        """Current whose steady notch temperature is just the melting one."""

        def notch(i):
            return np.linalg.solve(self.matrix(i * i), -i * i * self.w)[0]

        high = 1e-3
        while 0 < notch(high) < 1:
            high *= 1.01
        return brentq(lambda i: notch(i) - 1 if 0 < notch(i) < 1e6 else 1, 1e-6, high, xtol=1e-14)

    def melts(self, history):
        """Instant at which the notch melts under [(current, duration), ...]; None if it does not."""
        theta, start = np.zeros(len(self.C)), 0.0

        def molten(t, theta, square):
            return theta[0] - 1

        molten.terminal, molten.direction = True, 1
        for current, duration in history:
            duration = min(duration, LONGEST)
            square = current * current
            jac = lambda t, y, s, A=self.matrix(square) / self.C[:, None]: A
            r = solve_ivp(self.rate, (0, duration), theta, method="LSODA", args=(square,), events=molten, jac=jac, rtol=1e-9, atol=1e-11)
            if r.status == 1:
                return start + float(r.t_events[0][0])
            theta, start = r.y[:, -1], start + duration
        return None


def histories(rng, least, curve, n):
    """Invented histories that end with a current that melts the element."""
    times = {i: t for i, t in curve}
    for k in range(n):
        segments = []
        kind = k % 4
        final = least * (1.08 + 3 * rng.random())
        cold = np.interp(math.log(final), np.log(list(times)), np.log(list(times.values())))
        cold = math.exp(cold)
        if kind == 0:  # warm start
            segments.append((least * (0.3 + 0.65 * rng.random()), cold * 10 ** rng.uniform(-1, 2)))
        elif kind == 1:  # pulses and pauses
            for _ in range(rng.randint(1, 5)):
                segments += [(final * (0.8 + 0.4 * rng.random()), 0.4 * cold * rng.random()), (0.0, cold * 10 ** rng.uniform(-2, 1))]
        elif kind == 2:  # a ramp in steps
            steps = rng.randint(2, 6)
            segments += [(final * (s + 1) / (steps + 1), 0.5 * cold * rng.random()) for s in range(steps)]
        else:  # an overload, then less, then more
            segments += [(final * 1.3, 0.3 * cold * rng.random()), (least * rng.random(), cold * rng.random())]
        yield [(float(f"{i:.6g}"), float(f"{d:.6g}")) for i, d in segments] + [(float(f"{final:.6g}"), LONGEST)]


def digits(x):
    return float(f"{x:.7g}")


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    elements = [
        Element(4.2, [0.004, 0.3, 8.0], [1.0, 0.5, 0.2], [1.0, 0.25, 0.02]),  # copper, notched, slow body
        Element(4.2, [0.05, 1.5], [1.0, 0.35], [1.0, 0.3]),  # copper, two steps
        Element(0.9, [0.02, 0.4, 30.0], [1.0, 0.7, 0.15], [1.0, 0.4, 0.0]),  # tin spot, little rise of resistance
        Element(2.5, [0.5], [1.0], [1.0]),  # a single mass
    ]
    out = []
    for number, e in enumerate(elements):
        least = e.least()
        scale = 100 / least  # in ampere: least melting 100 A, rated 80 A
        curve = [(r * least, e.melts([(r * least, LONGEST)])) for r in (1.03, 1.06, 1.12, 1.2, 1.3, 1.45, 1.65, 2, 2.5, 3.2, 4, 5, 6.5, 8, 10, 13, 17)]
        runs = []
        for h in histories(random.Random(20 + number), least, curve, count):
            t = e.melts(h)
            assert t is not None
            runs.append({"segments": [[digits(i * scale), d] for i, d in h], "melts": digits(t)})
        out.append({"alpha": e.alpha, "rating": 80, "least": 100, "points": [[digits(i * scale), digits(t)] for i, t in curve], "histories": runs})
    print('{"about": "SciPy\'s LSODA on element.py; invented elements, A and s", "elements": [')
    print(",\n".join(json.dumps(e).replace('{"segments"', '\n {"segments"') for e in out))
    print("]}")


if __name__ == "__main__":
    main()
