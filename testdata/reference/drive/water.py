"""Propeller and hull of a boat file, for drive.py. SI units.

Thrust T and torque Q of a propeller over the hydrodynamic pitch angle beta = atan2(va, 0.7 pi n D):
T = pi/8 rho (va^2 + (0.7 pi n D)^2) D^2 CT, Q = the same times D CQ (van Lammeren, van Manen and Oosterveld 1969).
"""

import csv
import math
import pathlib

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

TABLES = pathlib.Path(__file__).resolve().parents[3] / "bench" / "hydro" / "data"  # published coefficients


def rows(name):
    with open(TABLES / name, newline="") as f:
        return [[float(x) for x in r] for r in list(csv.reader(f))[1:]]


class Hull:
    """Resistance R(v) from measured speed and power; R/v^2 runs monotonically between the points (PCHIP)."""

    def __init__(self, h, water):
        self.mass = h["displacement"] * (1 + h["added_mass"])
        self.wake, self.deduction = h["wake"], h["thrust_deduction"]
        v = np.array([p[0] for p in h["speed_power"]])
        k = np.array([h["propulsive_efficiency"] * p[1] / p[0] ** 3 for p in h["speed_power"]])
        self.low, self.high, self.k = v[0], v[-1], k
        self.curve = PchipInterpolator(np.r_[0, v], np.r_[k[0], k])
        slope = float(self.curve.derivative()(v[-1])) * v[-1] / k[-1]
        self.power = min(max(slope, 0), 3)

    def resistance(self, v):
        a = abs(v)
        if a <= self.low:
            k = self.k[0]
        elif a <= self.high:
            k = float(self.curve(a))
        else:
            k = self.k[-1] * (a / self.high) ** self.power
        return k * v * a


class Propeller:
    """A propeller known by one measured point, in four quadrants.

    First quadrant: a B-series propeller of its shape, thrust and torque each scaled through the point. The other
    quadrants: published four-quadrant series of B4 propellers, scaled to the bollard values; where they meet the
    first quadrant at zero thrust the difference fades out, its slope within 10 degrees, its value by 90 degrees."""

    def __init__(self, p, hull, density):
        self.d, self.density = p["diameter"], density
        shape = (p["pitch"] / p["diameter"], p["area_ratio"], p["blades"])
        kt, kq = self.bseries(*shape)
        n = p["measured_speed"] / (2 * math.pi)
        v = p["measured_boat_speed"]
        j = (1 - hull.wake) * v / (n * self.d)
        unit = density * n * n * self.d**4
        thrust = hull.resistance(v) / (1 - hull.deduction)
        torque = p["measured_power"] / (2 * math.pi * n)
        self.kt = kt * (thrust / unit / kt(j))
        self.kq = kq * (torque / (unit * self.d) / kq(j))
        self.j0 = brentq(kt, 0, 2, xtol=1e-15)  # no thrust
        self.series = self.tested(shape[0], shape[1])
        ct, cq = self.fourier(0.0)
        self.scale = (self.kt(0) / self.to_k(0) / ct, self.kq(0) / self.to_k(0) / cq)
        # where the first quadrant ends: the difference to the series, and its slope
        self.edges = []
        for edge, step in ((0.0, 1e-4), (math.atan2(self.j0, 0.7 * math.pi), -1e-4)):
            at, near = self.difference(edge), self.difference(edge + step)
            self.edges.append((edge, at, (near - at) / step))

    @staticmethod
    def bseries(pitch, area, blades):
        def polynomial(name):
            c = np.zeros(4)
            for coef, s, t, u, v in rows(name):
                c[int(s)] += coef * pitch**t * area**u * blades**v
            return np.polynomial.Polynomial(c)

        return polynomial("bseries_kt.csv"), polynomial("bseries_kq.csv")

    @staticmethod
    def tested(pitch, area):
        """Fourier coefficients for a shape: linear in pitch at area ratio 0.7, plus what area changes at pitch ratio 1,
        each column in proportion to the pitch's own first order."""
        tests = {}
        for z, a, p, k, *c in rows("fourquadrant.csv"):
            tests.setdefault((a, p), []).append(c)
        tests = {k: np.array(v) for k, v in tests.items()}

        def between(known, x):
            at = sorted(known)
            x = min(max(x, at[0]), at[-1])
            i = max(i for i in range(len(at) - 1) if i == 0 or at[i] < x)
            f = (x - at[i]) / (at[i + 1] - at[i])
            return (1 - f) * known[at[i]] + f * known[at[i + 1]]

        by_pitch = {p: c for (a, p), c in tests.items() if a == 0.7}
        by_area = {a: c for (a, p), c in tests.items() if p == 1.0}
        base = between(by_pitch, pitch)
        change = between(by_area, area) - between(by_area, 0.7)
        return base + change * base[1] / between(by_area, 0.7)[1]

    def fourier(self, beta):
        k = np.arange(len(self.series)) * beta
        c, s = np.cos(k), np.sin(k)
        at, bt, aq, bq = self.series.T
        return (at @ c + bt @ s) / 100, -(aq @ c + bq @ s) / 1000

    @staticmethod
    def to_k(j):
        return math.pi / 8 * (j * j + (0.7 * math.pi) ** 2)

    def scaled(self, beta):
        ct, cq = self.fourier(beta)
        return np.array([self.scale[0] * ct, self.scale[1] * cq])

    def difference(self, beta):
        j = min(max(0.7 * math.pi * math.tan(beta), 0), self.j0)
        return np.array([self.kt(j), self.kq(j)]) / self.to_k(j) - self.scaled(beta)

    def star(self, beta):
        (low, at_low, slope_low), (high, at_high, slope_high) = self.edges
        out = self.scaled(beta)
        if low <= beta <= high:
            out = out + self.difference(beta)
        else:
            if beta < low:
                edge, at, slope, end = low, at_low, slope_low, low - math.pi / 18
            else:
                edge, at, slope, end = high, at_high, slope_high, max(high + math.pi / 8, math.pi / 2)
            x = min((beta - edge) / (end - edge), 1)
            y = min(abs(beta - edge) / (math.pi / 18), 1)
            out = out + (1 + 2 * x) * (1 - x) ** 2 * at + (beta - edge) * (1 - y) ** 2 * slope
        ct, cq = out
        # No more from the stream than a free turbine takes, and never less in than out.
        s, c = math.sin(beta), math.cos(beta)
        betz = 0.57 * abs(s) ** 3
        if -cq * c / 0.35 > betz:
            cq = -betz * 0.35 / c
        lost = cq * c / 0.35 - ct * s
        if lost < 5e-4 and abs(s) > 0.05:
            ct += (lost - 5e-4) / s
        return ct, cq

    def loads(self, n, va):
        u = 0.7 * math.pi * n * self.d
        ct, cq = self.star(math.atan2(va, u))
        q = math.pi / 8 * self.density * (va * va + u * u) * self.d**2
        return q * ct, q * self.d * cq
