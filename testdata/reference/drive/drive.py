#!/usr/bin/python3
"""The whole drive written down a second time and solved by SciPy: reference for TestChecksWholeDrive (bench/simulate).

    python3 drive.py BOAT TRIAL > golden/BOAT-TRIAL.csv

reads boats/BOAT/{boat,settings}.toml ("petrel strained": strained.toml for settings.toml) and trials/TRIAL.toml (frozen, invented) and derived/BOAT.json (the fuse's ladder and
the wells of the bank, which the tool fits and other checks hold). Every key used must stand in the files: there are no
defaults here. What no trial needs (boost, voltage demand) stops the run rather than being left out silently. A run ends where fuse or
management open the circuit. Currents are along ahead; temperatures in kelvin inside, degrees Celsius in the output.
"""

import json
import math
import pathlib
import sys
import tomllib

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, fsolve

from quantities import plain
from water import Hull, Propeller

HERE = pathlib.Path(__file__).resolve().parent
REFERENCE = HERE.parent
COPPER = 0.00393  # 1/K at 20 degrees Celsius, IEC 60028
RISE = {"A": 60, "E": 75, "B": 80, "F": 105, "H": 125}  # K over 40 degrees Celsius, IEC 60034-1
MAY_MELT = 1 / 1.05**2  # melting state from which the tool lets a fuse open


def toml(path):
    with open(REFERENCE / path, "rb") as f:
        return plain(tomllib.load(f))


def copper(T):
    return 1 + COPPER * (T - 293.15)


def step(x):
    """0 below -1, 1 above 1, smooth between."""
    x = min(1, max(-1, x))
    return 0.5 + 0.75 * x - 0.25 * x**3


class Network:
    """Heat capacities joined by conductances; boundaries are places of fixed temperature."""

    def __init__(self, air, water):
        self.names, self.C, self.links = [], [], []
        self.fixed = {"air": air, "water": water}

    def node(self, name, capacity, to, resistance):
        self.names.append(name)
        self.C.append(capacity)
        self.links.append((name, to, resistance))

    def build(self):
        n = len(self.names)
        self.at = {name: i for i, name in enumerate(self.names)}
        self.C = np.array(self.C)
        self.G, self.inflow = np.zeros((n, n)), np.zeros(n)
        for a, b, r in self.links:
            self.link(a, b, 1 / r)

    def link(self, a, b, g):
        i = self.at[a]
        self.G[i, i] += g
        if b in self.fixed:
            self.inflow[i] += g * self.fixed[b]
        else:
            j = self.at[b]
            self.G[j, j] += g
            self.G[i, j] -= g
            self.G[j, i] -= g


class Drive:
    def __init__(self, boat, trial):
        boat, _, settings = boat.partition(" ")
        self.b, self.s = toml(f"boats/{boat}/boat.toml"), toml(f"boats/{boat}/{settings or 'settings'}.toml")
        self.trial = toml(f"trials/{trial}.toml")
        with open(HERE / "derived" / f"{boat}.json") as f:
            self.derived = json.load(f)
        self.moored, self.locked = self.trial["moored"], self.trial["load"] == "locked"
        assert self.trial["load"] in ("normal", "locked") and self.s["throttle"]["demand"] == "torque"
        self.battery()
        self.path_and_motor()
        self.heat()
        hull = Hull(self.b["hull"], 1025)
        self.hull, self.screw = hull, Propeller(self.b["propeller"], hull, 1025)
        shaft = self.b["shaft"]
        self.gear, self.efficiency = shaft["gear_ratio"], shaft["gear_efficiency"]
        self.seal = shaft["seal_friction"] * (1 + shaft["seal_friction_per_kelvin"] * max(0, 293.15 - self.trial["water"]))
        self.inertia = self.b["motor"]["inertia"] + shaft["inertia"] / self.gear**2
        self.layout()
        self.mode = dict(released=False, stalling=False, stalled=False, low=False, cut=False)
        self.guess, self.since, self.opened, self.now = {}, {}, False, 0.0
        self.seen = (None, None)

    # ---- what the files say

    def battery(self):
        b = self.b["battery"]
        table = np.array(b["ocv"])
        self.ocv = PchipInterpolator(table[:, 0], table[:, 1])
        self.cells = b["cells"]
        w = self.derived["wells"]
        self.capacity, self.well_shares, self.well_rates = w["capacity"], np.array(w["shares"]), np.array(w["rates"])
        self.pairs = b["polarisation"]

    def path_and_motor(self):
        m, st = self.b["motor"], self.b["stage"]
        self.series = m["kind"] == "series-wound"
        if self.series:
            table = np.array(m["magnetisation"])
            self.flux = PchipInterpolator(table[:, 0], table[:, 1])
        self.magnets = {"ferrite": -0.002, "NdFeB": -0.001, "none": 0.0}[m["magnets"]]
        self.motor_r = m["resistance"] / copper(m["resistance_at"])
        self.field_share = m["field_share"] if self.series else 0.0
        self.synchronous = st["freewheel"] == "synchronous"
        # everything in series with each circuit: (thermal node, ohms at 20 degrees, does it follow copper)
        self.conductors = {"battery": [], "motor": []}
        for c in self.b["cable"]:
            self.conductors[c["circuit"]].append((c["name"], c["resistance"], True))
        for j in self.b["joint"]:
            self.conductors[j["circuit"]].append((j["name"], j["resistance"], False))
        self.conductors["battery"].append(("contactor", self.b["contactor"]["resistance"], False))
        self.coil, self.housekeeping = self.b["contactor"]["coil_power"], st["housekeeping"]

    def heat(self):
        b, t = self.b, self.trial
        n = self.net = Network(t["air"], t["water"])
        where = lambda x: "compartment air" if x == "compartment" else x
        n.node("compartment air", b["compartment"]["heat_capacity"], "air", b["compartment"]["thermal_resistance"])
        n.node("battery", b["battery"]["heat_capacity"], "compartment air", b["battery"]["thermal_resistance"])
        for c in b["cable"]:
            loss = (c["ampacity"] * c["bundling"]) ** 2 * c["resistance"] * copper(c["rated_temperature"])
            n.node(c["name"], 3.45e6 * c["section"] * c["length"], where(c["place"]), (c["rated_temperature"] - c["ampacity_at"]) / loss)
        for j in b["joint"]:
            n.node(j["name"], j["heat_capacity"], where(j["place"]), j["thermal_resistance"])
        k = b["contactor"]
        n.node("contactor", k["heat_capacity"], where(k["place"]), 50 / (k["current"] ** 2 * k["resistance"] + k["coil_power"]))
        s = b["stage"]
        n.node("heat sink", s["sink_heat_capacity"], where(s["cooling"]), s["sink_resistance"])
        n.node("link capacitor", s["capacitor_heat_capacity"], "compartment air", s["capacitor_thermal_resistance"])
        m = b["motor"]
        rise = RISE[m["insulation"]]
        i, w = m["rated_current"], m["rated_speed"]
        in_copper = self.motor_r * copper(313.15 + rise) * i * i
        rated = in_copper + m["brush_drop"] * i + self.drag(w) * w
        n.node("housing", 0.85 * m["mass"] * 460, where(m["cooling"]), 0.7 * rise / rated)
        n.node("winding", 0.15 * m["mass"] * 385, "housing", 0.3 * rise / in_copper)
        n.node("commutator", m["brush_heat_capacity"], "housing", m["brush_to_housing"])
        n.node("commutator bars", m["bar_heat_capacity"], "commutator", m["bar_to_commutator"])
        n.build()
        # the housing's link goes with the speed: keep it apart
        self.housing_place = where(m["cooling"])
        self.housing_g = rated / (0.7 * rise)
        n.link("housing", self.housing_place, -self.housing_g)

    def layout(self):
        self.index, at = {}, 0
        f = self.derived["fuse"]
        self.fuse_a, self.fuse_tau, self.fuse_rating = np.array(f["a"]), np.array(f["tau"]), f["rating"]
        self.foster = np.array(self.b["stage"]["switch_heat"])
        for name, n in (("charge", 1), ("lag", len(self.well_rates)), ("pairs", len(self.pairs)), ("speed", 1), ("boat", 1), ("way", 1), ("demand", 1), ("volts seen", 1), ("sink seen", 1), ("motor seen", 1), ("stall time", 1), ("low time", 1), ("fuse", len(self.fuse_a)), ("switch", len(self.foster)), ("freewheel", len(self.foster)), ("T", len(self.net.C))):  # fmt: skip
            self.index[name] = slice(at, at + n) if n > 1 or name in ("T", "lag", "pairs", "fuse", "switch", "freewheel") else at
            at += n
        self.size = at

    def drag(self, w):
        m = self.b["motor"]
        return m["friction_torque"] * math.tanh(w) + m["iron_torque"] * w + m["windage"] * w * abs(w)

    # ---- the helm and the controller

    def lever(self, t):
        at = 0.0
        for i, s in enumerate(self.trial["throttle"]):
            if t < s["at"]:
                break
            over = s.get("over", 0.0)
            before = at
            at = s["to"] if t >= s["at"] + over else before + (s["to"] - before) * (t - s["at"]) / over
        return at

    def wanted(self, lever):
        m, th = self.mode, self.s["throttle"]
        if not m["released"] or m["stalled"] or m["cut"] or abs(lever) <= th["deadband"]:
            return 0.0
        return math.copysign(((min(abs(lever), 1) - th["deadband"]) / (1 - th["deadband"])) ** th["curve"], lever)

    def factors(self, y):
        d, lv, hv = self.s["derating"], self.s["low_voltage"], self.s["high_voltage"]

        def falling(x, start, end, floor):
            return 1 if x <= start else floor if x >= end else 1 - (1 - floor) * (x - start) / (end - start)

        volts = y[self.index["volts seen"]]
        f = {
            "stage derating": falling(y[self.index["sink seen"]], d["stage_start"], d["stage_end"], d["floor"]),
            "motor derating": 1.0,
            "low-voltage derating": falling(-volts, -lv["start"], -lv["end"], 0),
        }
        if d["motor_sensor"] != "none":
            f["motor derating"] = falling(y[self.index["motor seen"]], d["motor_start"], d["motor_end"], d["floor"])
        high = falling(volts, hv["start"], hv["end"], 0) if hv["end"] > 0 else 1
        assert d["combine"] == "smallest"
        return f, min(f.values()), min(f["stage derating"], f["motor derating"], high)

    # ---- the algebraic part: motor current, duty and battery current together

    def point(self, t, y):
        """Everything algebraic; remembered for the last state, since every event asks for it."""
        key = (t, y.tobytes())
        if self.seen[0] != key:
            self.seen = (key, self.fresh_point(t, y))
        return self.seen[1]

    def fresh_point(self, t, y):
        b, st, lim = self.b, self.b["stage"], self.s["limits"]
        T = y[self.index["T"]]
        temp = lambda name: T[self.net.at[name]]
        w = 0.0 if self.locked else y[self.index["speed"]]
        p = {"w": w}
        level = y[self.index["charge"]] - float(np.sum(self.well_shares * y[self.index["lag"]]))
        p["open"] = self.cells * float(self.ocv(min(1, max(0, level)))) * (max(0.02, 1 + 8 * level) if level < 0 else 1)
        inner = p["open"] - float(np.sum(y[self.index["pairs"]]))
        bat = b["battery"]
        p["bank R"] = bat["resistance"] * math.exp(min(3, max(-1, bat["resistance_per_kelvin"] * (bat["resistance_at"] - temp("battery")))))
        ohms = lambda c: c[1] * (copper(temp(c[0])) if c[2] else 1)
        p["ohms"] = {c[0]: ohms(c) for k in self.conductors.values() for c in k}
        self.E, self.Rs = inner, p["bank R"] + b["fuse"]["resistance"] + sum(ohms(c) for c in self.conductors["battery"])
        winding = self.motor_r * copper(temp("winding"))
        self.Rm = winding + sum(ohms(c) for c in self.conductors["motor"])
        self.Ra = winding * (1 - self.field_share)
        p["winding R"] = winding
        p["Tswitch"] = temp("heat sink") + float(np.sum(y[self.index["switch"]]))
        p["Tfree"] = temp("heat sink") + float(np.sum(y[self.index["freewheel"]]))
        hot = lambda T: max(0.3, 1 + st["switch_resistance_rise"] * (T - 298.15))
        self.Ron = st["switch_resistance"] * hot(p["Tswitch"])
        self.Rf, self.Vf = (st["switch_resistance"] * hot(p["Tfree"]), 0.0) if self.synchronous else (0.0, st["freewheel_drop"])
        self.k_magnet = 1 + self.magnets * (temp("housing") - 293.15)

        # what the law asks for, in the frame of the demand
        p["factors"], drive, brake = self.factors(y)
        demand = y[self.index["demand"]]
        demand = math.copysign(max(0, abs(demand) - 1e-3) / (1 - 1e-3), demand)
        turning = step(w / 2)
        ahead, astern = lim["motor_current"] * drive, lim["astern_current"] * drive
        against = lim["braking_current"] * brake
        high = turning * ahead + (1 - turning) * (against if st["braking"] else ahead)
        low = (1 - turning) * astern + turning * (against if st["braking"] else astern)
        along = 1 if demand >= 0 else -1
        asked = min(demand * lim["motor_current"], high) if demand >= 0 else min(-demand * lim["astern_current"], low)
        self.v = along * w
        e = self.operate(asked, demand)
        p.update(e)
        p["motor current"], p["armature"] = along * e["i"], along * e["armature"]
        p["torque"] = p["armature"] * self.k(e["i"])
        p["terminal"] = inner - p["bank R"] * e["ib"]
        p["shaft n"] = w / self.gear / (2 * math.pi)
        thrust, q = self.screw.loads(p["shaft n"], (1 - self.hull.wake) * y[self.index["boat"]])
        wp = w / self.gear
        torque = q + self.seal * math.tanh(wp)
        forward = step(torque * wp / 5)
        p["shaft"] = torque / self.gear * (forward / self.efficiency + (1 - forward) * self.efficiency)
        p["thrust"], p["propeller"] = thrust, q
        return p

    def k(self, i):
        """Induced voltage per speed, which is torque per ampere."""
        return float(self.flux(abs(i))) if self.series else self.b["motor"]["constant"] * self.k_magnet

    def need(self, i):
        return self.k(i) * self.v + self.Rm * i + self.b["motor"]["brush_drop"] * math.tanh(i)

    def path(self, i):
        return self.Rf * i + self.Vf * math.tanh(2 * i)

    def chopper(self, i, u, D, V):
        """Motor voltage that duty D makes, and the losses, with the bridge turned towards u if it can be."""
        st = self.b["stage"]
        j = i * self.turned(u)
        esr = st["capacitor_esr"]
        f, L = st["switching_frequency"], self.b["motor"]["inductance"]
        # The current is a triangle about its mean: its mean square is i^2 + ripple^2/12 in whatever conducts.
        ripple = V * D * (1 - D) / (L * f) * math.tanh(abs(i))
        square = ripple * ripple / 12
        if j >= 0:
            out = D * (V - self.Ron * j - esr * (1 - D) * j) - (1 - D) * self.path(j)
            on, off = D, 1 - D  # shares of the time in the switch and in the freewheel path
        else:
            out = D * (V + self.path(-j) - esr * (1 - D) * j) - (1 - D) * self.Ron * j
            on, off = 1 - D, D
        switching = 0.5 * V * abs(i) * st["switching_time"] * f * max(0, min(1, (1 - D) / 0.02))
        # What the ripple heats comes from the link without passing the mean motor current.
        rippled = square * (self.Rm + on * self.Ron + off * self.Rf)
        return {
            "out": out, "j": j, "square": square, "switching": switching,
            "switch": on * self.Ron * (j * j + square),
            "free": off * (self.path(abs(j)) * abs(j) + self.Rf * square),
            "capacitor": esr * D * (1 - D) * i * i,
            "extra": switching + rippled + self.housekeeping + self.coil,
        }  # fmt: skip

    def turned(self, u):
        """Only a stage with a braking quadrant puts its voltage against the current; another just lets it freewheel."""
        return -1 if u < 0 and self.b["stage"]["braking"] else 1

    def residual(self, i, u, D, ib):
        V = self.E - self.Rs * ib
        c = self.chopper(i, u, D, V)
        return self.turned(u) * u - c["out"], ib - (D * c["j"] + c["extra"] / V)

    def solve(self, key, f, start):
        x, info, ok, message = fsolve(f, self.guess.get(key, start), full_output=True, xtol=1e-12)
        if ok != 1 and max(abs(info["fvec"])) > 1e-8:
            x, info, ok, message = fsolve(f, start, full_output=True, xtol=1e-12)
            if ok != 1 and max(abs(info["fvec"])) > 1e-8:
                raise RuntimeError(f"operating point ({key}): {message}, residual {info['fvec']}")
        self.guess[key] = x
        return x

    def at(self, i, u=None):
        """Duty and battery current for a motor current."""
        u = self.need(i) if u is None else u
        sign = self.turned(u)
        D, ib = self.solve(("at", sign), lambda x: self.residual(i, u, x[0], x[1]), [min(1, abs(u) / self.E), abs(u) * i / self.E * sign])
        return D, ib, u

    def operate(self, asked, demand):
        lim, st = self.s["limits"], self.b["stage"]
        e = {"limited": "", "armature": None}
        if self.series and self.v < 0 and asked > 0 and (plugged := self.plug(asked, min(1, abs(demand) / 0.01))):
            return plugged
        i = asked
        D, ib, u = self.at(i)
        if u >= 0 and D > lim["duty"] or math.isnan(D):
            e["limited"] = "full duty"
            D = lim["duty"]
            full = lambda x: self.residual(x[0], self.need(x[0]), D, x[1])
            i, ib = self.solve("full", full, [0.9 * asked, 0.9 * asked])
            u = self.need(i)
        e["over"] = ib - lim["battery_current"]
        if ib > lim["battery_current"]:
            e["limited"] = "battery current limit"
            held = lambda x: self.residual(x[0], self.need(x[0]), x[1], lim["battery_current"])
            i, D = self.solve("battery", held, [i, D])
            ib, u = lim["battery_current"], self.need(i)
        elif st["braking"] and ib < -lim["charge_current"]:
            e["limited"] = "charge current limit"
            held = lambda x: self.residual(x[0], self.need(x[0]), x[1], -lim["charge_current"])
            i, D = self.solve("charge", held, [i, D])
            ib, u = -lim["charge_current"], self.need(i)
        if not st["braking"] and not self.series and asked > 0 and u + self.path(i) < 0:
            # The turning motor drives a current through the freewheel path that the stage cannot stop. A series motor's
            # plug diode takes over before that.
            loop = brentq(lambda i: self.need(i) + self.path(i), i, (-self.need(0) + 1) / self.Rm, xtol=1e-12)
            i = min(1, abs(demand) / 0.01) * loop
            u, extra = -self.path(i), self.housekeeping + self.coil
            V = (self.E + math.sqrt(self.E**2 - 4 * self.Rs * extra)) / 2
            e.update(i=i, armature=i, D=0.0, V=V, ib=extra / V, switch=0.0, free=self.path(i) * i, square=0.0, switching=0.0, capacitor=0.0)
            return e
        V = self.E - self.Rs * ib
        c = self.chopper(i, u, D, V)
        e.update(c, i=i, armature=i, D=D if i else 0.0, V=V, ib=ib)
        return e

    def plug(self, asked, closed):
        """A series motor turning against its reversed field: its armature drives its own current through the plug diode."""
        diode, brush = self.b["stage"]["freewheel_drop"], self.b["motor"]["brush_drop"]
        field = self.Rm - self.Ra
        induced = lambda f: -self.k(f) * self.v
        in_armature = lambda i: self.Ra * i + brush * math.tanh(i)
        round_ = lambda i: in_armature(i) + diode * math.tanh(2 * i)  # the loop of armature and diode
        if induced(asked) <= round_(asked):
            return None
        ia, f = asked, 0.0
        if induced(0) < round_(asked):
            f = brentq(lambda f: induced(f) - round_(asked), 0, asked, xtol=1e-12)
        else:  # without any field there is too much already; the reversing contactor closes with the demand
            ia = max(asked, closed * brentq(lambda i: induced(0) - round_(i), 0, induced(0) / self.Ra + 1, xtol=1e-12))
        on_diode = induced(f) - in_armature(ia)
        wanted = field * f - on_diode  # the armature's voltage drives the field as well
        u = max(wanted, -self.path(f))
        D, ib, _ = self.at(f, u)
        V = self.E - self.Rs * ib
        c = self.chopper(f, u, D, V)
        c["free"] += on_diode * (ia - f) + (u - wanted) * f
        return dict(c, i=f, armature=ia, D=D, V=V, ib=ib, limited="", over=-1.0)

    # ---- the differential part

    def derivatives(self, t, y):
        p, ix = self.point(t, y), self.index
        T, d = y[ix["T"]], np.zeros(self.size)
        temp = lambda name: T[self.net.at[name]]
        m = self.b["motor"]
        ib, im, w = p["ib"], p["i"], p["w"]
        d[ix["charge"]] = -ib / self.capacity
        d[ix["lag"]] = ib / self.capacity - self.well_rates * y[ix["lag"]]
        polarised = 0.0
        for n, (R, tau) in enumerate(self.pairs):
            v = y[ix["pairs"]][n]
            d[ix["pairs"].start + n] = (R * ib - v) / tau
            polarised += v * v / R
        drag = self.drag(w)
        if not self.locked:
            d[ix["speed"]] = (p["torque"] - drag - p["shaft"]) / self.inertia
        if not self.moored:
            v = y[ix["boat"]]
            d[ix["boat"]] = ((1 - self.hull.deduction) * p["thrust"] - self.hull.resistance(v)) / self.hull.mass
            d[ix["way"]] = v
        self.law(t, y, p, d)

        q = np.zeros(len(self.net.C))
        put = lambda name, watts: q.__setitem__(self.net.at[name], q[self.net.at[name]] + watts)
        put("battery", p["bank R"] * ib * ib + polarised)
        for c in self.conductors["battery"]:
            put(c[0], p["ohms"][c[0]] * ib * ib)
        for c in self.conductors["motor"]:
            put(c[0], p["ohms"][c[0]] * (im * im + p["square"]))
        if self.b["fuse"]["place"] == "compartment":
            put("compartment air", self.b["fuse"]["resistance"] * ib * ib)
        put("contactor", self.coil)
        put("heat sink", p["switch"] + p["switching"] + p["free"] + self.housekeeping)
        put("link capacitor", p["capacitor"])
        ia = p["armature"]
        put("winding", p["winding R"] * ((1 - self.field_share) * (ia * ia + p["square"]) + self.field_share * (im * im + p["square"])))
        brush, still = m["brush_drop"] * math.tanh(ia) * ia, math.exp(-((w / 3) ** 2))
        put("commutator bars", brush * still)
        put("commutator", brush * (1 - still))
        put("housing", drag * w)
        flow = q + self.net.inflow - self.net.G @ T
        cooling = self.housing_g * (m["standstill_cooling"] + (1 - m["standstill_cooling"]) * min(1.5, abs(w) / m["rated_speed"]))
        outside = temp(self.housing_place) if self.housing_place in self.net.at else self.net.fixed[self.housing_place]
        through = cooling * (temp("housing") - outside)
        flow[self.net.at["housing"]] -= through
        if self.housing_place in self.net.at:
            flow[self.net.at[self.housing_place]] += through
        d[ix["T"]] = flow / self.net.C
        d[ix["switch"]] = (self.foster[:, 0] * (p["switch"] + p["switching"]) - y[ix["switch"]]) / self.foster[:, 1]
        d[ix["freewheel"]] = (self.foster[:, 0] * p["free"] - y[ix["freewheel"]]) / self.foster[:, 1]
        f = self.b["fuse"]
        air = temp("compartment air") if f["place"] == "compartment" else self.trial["air"]
        rating = self.fuse_rating * math.sqrt((f["derating_temperature"] - air) / (f["derating_temperature"] - f["curve_at"]))
        d[ix["fuse"]] = (self.fuse_a * (ib / rating) ** 2 - y[ix["fuse"]]) / self.fuse_tau
        return d

    def law(self, t, y, p, d):
        ix, s = self.index, self.s
        r, target = y[ix["demand"]], self.wanted(self.lever(t))
        rise = 1 / s["ramp"]["rise"]
        release = lambda reversing: 1 / (s["ramp"]["reversal"] if reversing else s["ramp"]["fall"])
        up = release(target > 0) if r < 0 else rise
        down = release(target < 0) if r > 0 else rise
        d[ix["demand"]] = max(-down, min(up, (target - r) / s["throttle"]["filter_time"]))
        d[ix["volts seen"]] = (p["V"] - y[ix["volts seen"]]) / s["low_voltage"]["filter_time"]
        T = y[ix["T"]]
        d[ix["sink seen"]] = (T[self.net.at["heat sink"]] - y[ix["sink seen"]]) / s["derating"]["filter_time"]
        d[ix["motor seen"]] = (self.motor_sensor(T) - y[ix["motor seen"]]) / s["derating"]["filter_time"]
        d[ix["stall time"]] = float(self.mode["stalling"])
        d[ix["low time"]] = float(self.mode["low"])

    def motor_sensor(self, T):
        return T[self.net.at["housing" if self.s["derating"]["motor_sensor"] == "housing" else "winding"]]

    # ---- what happens at instants: (armed, margin that rises through zero, action, message)

    def switches(self):
        s, m, ix = self.s, self.mode, self.index
        still = lambda t, y: self.stall_margin(t, y)
        neutral = lambda t: s["throttle"]["deadband"] + 1e-6 - abs(self.lever(t))
        volts = lambda y: y[ix["volts seen"]]
        cut = s["low_voltage"]["cut_off"]

        def act(clear=None, **mode):
            def f(y):
                m.update(mode)
                if clear:
                    y[ix[clear]] = 0

            return f

        return [
            (not m["released"], lambda t, y: neutral(t), act(released=True), ""),
            (not m["stalling"] and not m["stalled"] and s["stall"]["time"] > 0, still, act("stall time", stalling=True), ""),
            (m["stalling"], lambda t, y: -0.05 - still(t, y), act("stall time", stalling=False), ""),
            (m["stalling"] and not m["stalled"], lambda t, y: y[ix["stall time"]] - s["stall"]["time"], act("stall time", stalled=True, stalling=False), "stall timer"),
            (m["stalled"], lambda t, y: neutral(t), act(stalled=False), ""),
            (not m["low"] and not m["cut"], lambda t, y: cut - volts(y), act("low time", low=True), ""),
            (m["low"], lambda t, y: volts(y) - cut - 0.02, act("low time", low=False), ""),
            (m["low"] and not m["cut"], lambda t, y: y[ix["low time"]] - s["low_voltage"]["cut_off_delay"], act("low time", cut=True, low=False), "controller cut-off"),
            (m["cut"], lambda t, y: min(neutral(t), volts(y) - s["low_voltage"]["start"]), act(cut=False), ""),
        ] + [s for device in self.devices() for s in device]  # fmt: skip

    def stall_margin(self, t, y):
        s = self.s["stall"]
        p = self.point(t, y)
        current = abs(p["motor current"]) / (s["current"] * self.s["limits"]["motor_current"] + 1e-9) - 1
        return min(current, 1 - abs(p["w"]) / (s["speed"] + 1e-9))

    def devices(self):
        """Fuse and management: a condition that holds for a delay opens the circuit, and the run ends."""
        g = self.b["battery"].get("management")
        cell = lambda t, y: self.point(t, y)["terminal"] / self.cells
        listed = [("fuse", 0, lambda t, y: float(np.sum(y[self.index["fuse"]])) / MAY_MELT - 1)]
        if g:
            listed += [
                ("management", g["discharge_delay"], lambda t, y: self.point(t, y)["ib"] / g["discharge_current"] - 1),
                ("management", g["charge_delay"], lambda t, y: -self.point(t, y)["ib"] / g["charge_current"] - 1),
                ("management", g["cell_delay"], lambda t, y: g["cell_low"] - cell(t, y)),
                ("management", g["cell_delay"], lambda t, y: cell(t, y) - g["cell_high"]),
                ("management", 0, lambda t, y: y[self.index["T"]][self.net.at["battery"]] - g["temperature_high"]),
            ]
        hysteresis = 0.003
        for k, (name, delay, margin) in enumerate(listed):

            def begin(y, k=k, delay=delay):
                if delay:
                    self.since[k] = self.now
                else:
                    self.opened = True

            def forget(y, k=k):
                del self.since[k]

            def open_(y):
                self.opened = True

            if k not in self.since:
                yield [(True, margin, begin, "" if delay else name)]
            else:
                since = self.since[k]
                yield [
                    (True, lambda t, y, margin=margin: -hysteresis - margin(t, y), forget, ""),
                    (True, lambda t, y, since=since, delay=delay: t - since - delay, open_, name),
                ]

    def watched(self):
        """Conditions whose first beginning is noted: (name, margin that rises through zero)."""
        ix, d, lv = self.index, self.s["derating"], self.s["low_voltage"]
        yield "low-voltage derating", lambda t, y: lv["start"] - y[ix["volts seen"]]
        yield "stage derating", lambda t, y: y[ix["sink seen"]] - d["stage_start"]
        if d["motor_sensor"] != "none":
            yield "motor derating", lambda t, y: y[ix["motor seen"]] - d["motor_start"]
        yield "battery current limit", lambda t, y: self.point(t, y)["over"]

    def settle(self, t, y):
        for _ in range(10):
            acted = False
            for armed, margin, act, message in self.switches():
                if armed and margin(t, y) >= 0:
                    self.now = t
                    act(y)
                    acted = True
                    self.note(t, message)
                    break
            if not acted:
                return

    def note(self, t, message):
        if message and message not in dict(self.events):
            self.events.append((message, t))

    # ---- the run

    def begin(self):
        y, ix, t = np.zeros(self.size), self.index, self.trial
        y[ix["charge"]] = t["charge"]
        y[ix["T"]] = t["air"]
        if self.b["stage"]["cooling"] == "water":
            y[ix["T"].start + self.net.at["heat sink"]] = t["water"]
        y[ix["volts seen"]] = 1e3
        y[ix["volts seen"]] = self.point(0, y)["V"]
        y[ix["sink seen"]] = y[ix["T"]][self.net.at["heat sink"]]
        y[ix["motor seen"]] = self.motor_sensor(y[ix["T"]])
        self.mode["released"] = not self.s["throttle"]["neutral_start"]
        return y

    def run(self, times, rtol=1e-8, method="LSODA"):
        self.events = []
        corners = {0.0, self.trial["duration"]}
        for s in self.trial["throttle"]:
            corners |= {s["at"], s["at"] + s.get("over", 0.0)}
        corners = sorted(c for c in corners if c <= self.trial["duration"])
        y, out = self.begin(), {}
        for t, end in zip(corners, corners[1:]):
            while t < end:
                # look at the lever just inside the stretch, so that a step belongs to its own side
                lever = self.__class__.lever
                self.lever = lambda u, t=t, end=end: lever(self, min(max(u, t), end - 1e-9))
                self.settle(t, y)
                armed = [(m, a, msg) for on, m, a, msg in self.switches() if on]
                events = []
                for margin, *_ in armed:
                    f = lambda t, y, margin=margin: margin(t, y)
                    f.terminal, f.direction = True, 1
                    events.append(f)
                watched = [w for w in self.watched() if w[0] not in dict(self.events)]
                for _, margin in watched:
                    f = lambda t, y, margin=margin: margin(t, y)
                    f.terminal, f.direction = False, 1
                    events.append(f)
                inside = [x for x in times if t <= x <= end]
                r = solve_ivp(self.derivatives, (t, end), y, method=method, rtol=rtol, atol=self.tolerances(), events=events, t_eval=inside, first_step=min(1e-4, (end - t) / 2), min_step=0)  # fmt: skip
                if not r.success and r.status != 1:
                    raise RuntimeError(r.message)
                for k, x in enumerate(r.t):
                    out[x] = self.sample(x, r.y[:, k])
                for (name, _), at in zip(watched, r.t_events[len(armed) :]):
                    if len(at):
                        self.note(float(at[0]), name)
                if r.status == 1:
                    k = next(k for k, e in enumerate(r.t_events[: len(armed)]) if len(e))
                    t, y = float(r.t_events[k][-1]), r.y_events[k][-1].copy()
                    self.now = t
                    armed[k][1](y)
                    self.note(t, armed[k][2])
                    if self.opened:
                        return out
                else:
                    t, y = end, self.last(r, end, y, method, rtol)
        return out

    def last(self, r, end, y, method, rtol):
        if len(r.t) and r.t[-1] == end:
            return r.y[:, -1].copy()
        raise RuntimeError("every corner must be among the times")

    def tolerances(self):
        a = np.full(self.size, 1e-7)
        ix = self.index
        a[ix["way"]], a[ix["speed"]] = 1e-4, 1e-5
        a[ix["T"]] = 1e-5
        a[ix["switch"]] = a[ix["freewheel"]] = 1e-5
        return a

    def sample(self, t, y):
        p, T = self.point(t, y), y[self.index["T"]] - 273.15
        row = {"motor current": p["motor current"], "battery current": p["ib"], "voltage at the controller": p["V"], "duty": p["D"]}
        row |= {"motor speed": p["w"], "boat speed": y[self.index["boat"]], "distance": y[self.index["way"]], "thrust": p["thrust"]}
        row |= {"propeller torque": p["propeller"], "state of charge": y[self.index["charge"]], "demand": y[self.index["demand"]]}
        row |= {"derating": min(p["factors"].values()), "fuse": float(np.sum(y[self.index["fuse"]])) / MAY_MELT}
        row |= {n: T[i] for n, i in self.net.at.items() if n != "housing"}
        if self.b["motor"].get("magnet_limit"):
            row["magnets"] = T[self.net.at["housing"]]
        row |= {"switch junction": p["Tswitch"] - 273.15, "freewheel junction": p["Tfree"] - 273.15}
        return row


def instants(d):
    """Close together after each corner, then wider."""
    end = d.trial["duration"]
    corners = {0.0}
    for s in d.trial["throttle"]:
        corners |= {s["at"], s["at"] + s.get("over", 0.0)}
    corners = sorted(c for c in corners if c < end)
    at = set(corners) | {end}
    for c, following in zip(corners, corners[1:] + [end]):
        at |= {round(c + x, 3) for x in (0.05, 0.2, 0.5, 1, 2, 3, 4, 5, 7, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360, 480, 600, 900, 1200, 1500, 1800, 2400, 3000, 3600, 5400, 7200, 10800, 14400) if c + x < following}
    return sorted(at)


def main(boat, trial):
    d = Drive(boat, trial)
    out = d.run(instants(d))
    names = list(next(iter(out.values())))
    print("# SciPy's LSODA at rtol 1e-8 on the equations of drive.py. Temperatures in °C, else SI. The boat is invented.")
    for message, t in d.events:
        print(f"# event,{message},{t:.6f}")
    print(",".join(["time"] + names))
    for t in sorted(out):
        print(",".join([f"{t:.6g}"] + [f"{out[t][n]:.7g}" for n in names]))


if __name__ == "__main__":
    main(*sys.argv[1:])
