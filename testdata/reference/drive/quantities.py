"""Reads "7 mΩ ± 15 %, measured" and the like from the frozen TOML files as SI numbers."""

import re

UNITS = {
    "%": 0.01, "": 1, "A": 1, "V": 1, "W": 1, "kW": 1e3, "Ω": 1, "mΩ": 1e-3, "s": 1, "ms": 1e-3, "µs": 1e-6, "ns": 1e-9,
    "min": 60, "h": 3600, "A·h": 3600, "J/K": 1, "kJ/K": 1e3, "J": 1, "K/W": 1, "m": 1, "mm²": 1e-6, "kg": 1, "F": 1, "mF": 1e-3,
    "H": 1, "µH": 1e-6, "Hz": 1, "kHz": 1e3, "1/K": 1, "%/K": 0.01, "V·s/rad": 1, "N·m": 1, "N·m·s/rad": 1, "N·m·s²/rad²": 1,
    "kg·m²": 1, "m/s": 1, "1/min": 0.10471975511965977, "rpm": 0.10471975511965977, "kA": 1e3, "K": 1,
}  # fmt: skip


def number(text):
    text = text.split(",")[0].split("±")[0].strip()
    if m := re.fullmatch(r"([0-9.]+):([0-9.]+)", text):
        return float(m[1]) / float(m[2])
    m = re.fullmatch(r"(-?[0-9.]+(?:e-?[0-9]+)?) *(.*)", text)
    if not m:
        return None
    if m[2] == "°C":
        return float(m[1]) + 273.15
    if m[2] not in UNITS:
        return None
    return float(m[1]) * UNITS[m[2]]


def plain(x):
    """A TOML value with each quantity as a number; words stay words."""
    if isinstance(x, dict):
        return {k: plain(v) for k, v in x.items()}
    if isinstance(x, list):
        return [plain(v) for v in x]
    if isinstance(x, str):
        n = number(x)
        return x if n is None else n
    return x
