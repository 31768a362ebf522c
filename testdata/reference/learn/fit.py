"""Minimises the sum of squares of residuals that another process computes, with scipy.optimize.least_squares and with lmfit (Debian packages
python3-scipy, python3-lmfit).

It talks in lines: it writes {"x": [...]}, and reads {"r": [...]} back. Its first line in is {"start": [...], "step": h}; its last line out is
{"scipy": {...}, "lmfit": {...}}, each with x, its standard deviations from the Jacobian at x (each residual has the variance 1), and the cost, the sum of squares.
Derivatives are central difference quotients with the step h, since what it minimises is a simulation.
"""
import json
import sys

import lmfit
import numpy as np
from scipy.optimize import least_squares

first = json.loads(sys.stdin.readline())
start, step = np.array(first["start"], float), first["step"]


def residuals(x):
    print(json.dumps({"x": [float(v) for v in x]}), flush=True)
    return np.array(json.loads(sys.stdin.readline())["r"])


def jacobian(x):
    columns = []
    for j in range(len(x)):
        up, down = np.array(x, float), np.array(x, float)
        up[j] += step
        down[j] -= step
        columns.append((residuals(up) - residuals(down)) / (2 * step))
    return np.array(columns).T


def result(x, cost, covariance):
    return {"x": list(map(float, x)), "sd": list(map(float, np.sqrt(np.diag(covariance)))), "cost": float(cost)}


found = least_squares(residuals, start, jac=jacobian, method="trf", xtol=1e-7, ftol=1e-10, gtol=1e-7)
by_scipy = result(found.x, 2 * found.cost, np.linalg.inv(found.jac.T @ found.jac))

parameters = lmfit.Parameters()
for i, v in enumerate(start):
    parameters.add(f"z{i}", value=float(v))
values = lambda p: np.array([p[f"z{i}"].value for i in range(len(start))])
fit = lmfit.minimize(lambda p: residuals(values(p)), parameters, method="leastsq", Dfun=lambda p: jacobian(values(p)), scale_covar=False, xtol=1e-7, ftol=1e-10)
by_lmfit = result(values(fit.params), fit.chisqr, fit.covar)

print(json.dumps({"scipy": by_scipy, "lmfit": by_lmfit, "versions": [__import__("scipy").__version__, lmfit.__version__]}), flush=True)
