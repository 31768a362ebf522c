/*
 * The drive of a boat with a permanent-magnet brushed motor behind a chopper that brakes through synchronous switches, with
 * its controller (torque demand, no boost, no motor sensor), written down in C and solved by SUNDIALS CVODE (BDF, dense).
 *
 * model.h holds the numbers, made by the test from the same boat file. Branches that the three trials never enter are left
 * out (README.md lists them). SI units, temperatures in kelvin; currents along ahead.
 *
 *     drive rhs < states > derivatives       compares right-hand sides
 *     drive run ANALYTIC SCALE REPEATS       solves the trial of model.h and tells corners, passages, work and time
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>

#include "model.h"

enum { CHARGE, PAIR, SPEED = PAIR + 2, BOAT, WAY, DEMAND, VOLTS, SINK_SEEN, MOTOR_SEEN, STALL_TIME, LOW_TIME,
       BATTERY_J, HEAT_J, SHAFT_J, ABS_J, FUSE, SWITCH = FUSE + FUSES, FREE = SWITCH + FOSTERS, NODES = FREE + FOSTERS,
       MOTOR_I = NODES + NODE_COUNT, PATH_I, LINK_V, N = ELECTRICAL ? LINK_V + 1 : MOTOR_I };

/* what is discrete, and the lever's straight line in this stretch */
static struct { int stalling; double t0, lever0, rate; } mode;

static double sign(double x) { return copysign(1, x); }
static double hard_tanh(double x) { return fabs(x) > 20 ? sign(x) : tanh(x); }
static double copper(double T) { return 1 + COPPER * (T - 293.15); }
static double smooth(double x) { x = fmin(1, fmax(-1, x)); return 0.5 + 0.75 * x - 0.25 * x * x * x; }

static double falling(double x, double start, double end, double floor_)
{
    return x <= start ? 1 : x >= end ? floor_ : 1 - (1 - floor_) * (x - start) / (end - start);
}

/* cubic Hermite through nodes with slopes */
static double hermite(const double (*t)[3], int n, double x)
{
    int i = 0, j = n - 1;
    while (j - i > 1) { int m = (i + j) / 2; if (t[m][0] <= x) i = m; else j = m; }
    double h = t[j][0] - t[i][0], s = (x - t[i][0]) / h, r = 1 - s;
    return t[i][1] * (1 + 2 * s) * r * r + t[j][1] * (3 - 2 * s) * s * s + h * (t[i][2] * s * r * r - t[j][2] * s * s * r);
}

/* ---- the operating point: everything electrical, from a few scalars */

typedef struct { double E, R, loop, magnet, on, free, driving, braking, w, demand, motor; } Scalars;
enum { SCALARS = sizeof(Scalars) / sizeof(double) };
typedef struct { double motor, battery, volts, torque, in_switch, in_free, in_capacitor, ripple, unbalanced, link; } Out;
enum { OUTS = sizeof(Out) / sizeof(double) };

typedef struct { double cond_switch, cond_free, switching, capacitor, ripple, stage; } Loss;

static Loss losses(const Scalars *s, double D, double i, double V)
{
    double mag = fabs(i), ripple = V * D * (1 - D) / (INDUCTANCE * FREQUENCY) * hard_tanh(mag), sq = ripple * ripple / 12;
    double on = i < 0 ? 1 - D : D, off = 1 - on;
    Loss l;
    l.cond_switch = on * s->on * (i * i + sq);
    l.cond_free = off * (s->free * mag * mag + s->free * sq);
    l.ripple = sq;
    l.stage = (on * s->on + off * s->free) * sq;
    l.switching = 0.5 * V * mag * SWITCHING_TIME * FREQUENCY * fmax(0, fmin(1, (1 - D) / 0.02));
    l.capacitor = ESR * D * (1 - D) * i * i;
    return l;
}

static double duty(const Scalars *s, double u, double i, double V)
{
    double a = ESR * i, b, c;
    if (i >= 0) { double w = s->free * i; b = V - s->on * i - a + w; c = u + w; }
    else { b = V - s->free * i - a + s->on * i; c = u + s->on * i; }
    return 2 * c / (b + sqrt(fmax(0, b * b + 4 * a * c)));
}

static double output(const Scalars *s, double D, double i, double V)
{
    double first = V - ESR * (1 - D) * i;
    return i >= 0 ? D * (first - s->on * i) - (1 - D) * s->free * i : D * (first - s->free * i) - (1 - D) * s->on * i;
}

typedef struct { double i, u, V, joined, battery, extra; Loss loss; } Point;

static double extra(const Scalars *s, const Loss *l) { return l->switching + l->ripple * s->loop + l->stage + STANDBY; }

static double against(const Scalars *s, double u, double i)
{
    if (i < 0 || u >= 0) return 0;
    double least = fmin(s->free, s->on) * i, most = fmax(s->free, s->on) * i;
    return -u <= least ? 0 : -u >= most ? 1 : (-u - least) / (most - least);
}

static void fill(const Scalars *s, Point *p)
{
    double share = against(s, p->u, p->i);
    if (share < 1) {
        p->joined = duty(s, p->u, p->i, p->V);
        p->loss = losses(s, p->joined, p->i, p->V);
    } else {
        p->joined = 0;
        memset(&p->loss, 0, sizeof p->loss);
    }
    if (share > 0) {
        double D = duty(s, -p->u, -p->i, p->V);
        Loss o = losses(s, D, -p->i, p->V);
        p->joined = (1 - share) * p->joined - share * D;
        double *a = (double *)&p->loss, *b = (double *)&o;
        for (int k = 0; k < 6; k++) a[k] += share * (b[k] - a[k]);
    }
    p->extra = extra(s, &p->loss);
    p->battery = p->joined * p->i + p->extra / p->V;
}

static double emf_factor(const Scalars *s) { return CONSTANT * (1 + MAGNETS * (s->magnet - 293.15)); }
static double need(const Scalars *s, double speed, double i) { return emf_factor(s) * speed + s->loop * i + BRUSH_DROP * hard_tanh(i); }
static double need_slope(const Scalars *s, double i) { double t = hard_tanh(i); return s->loop + BRUSH_DROP * (1 - t * t); }

/* change of output by duty and by current */
static void slopes(const Scalars *s, double D, double i, double V, double *by_d, double *by_i)
{
    double d = V - ESR * (1 - 2 * D) * i;
    if (i >= 0) { *by_d = d - s->on * i + s->free * i; *by_i = -D * (s->on + ESR * (1 - D)) - (1 - D) * s->free; }
    else { *by_d = d - s->free * i + s->on * i; *by_i = -D * (s->free + ESR * (1 - D)) - (1 - D) * s->on; }
}

static double enough = 2e-5; /* the next step would be less than 1e-5 of this one; comparing right-hand sides goes to the end */

/* link voltage and duty for a motor current and voltage: Newton's method for V = E - R*battery */
static int with(const Scalars *s, double i, double u, Point *p)
{
    double mag = fabs(i), share = fmin(1, fabs(u) / s->E), power = u * i + STANDBY + 0.5 * s->E * mag * SWITCHING_TIME * FREQUENCY;
    power += mag * mag * (share * s->on + (1 - share) * s->free);
    p->i = i; p->u = u;
    p->V = (s->E + sqrt(fmax(0, s->E * s->E - 4 * s->R * power))) / 2;
    int ok = 0;
    for (int k = 0; k < 30 && !ok; k++) {
        fill(s, p);
        double way = sign(p->joined), by_d, by_i;
        slopes(s, way * p->joined, way * i, p->V, &by_d, &by_i);
        double rippled = p->loss.ripple * s->loop + p->loss.stage;
        double slope = 1 + s->R * (-p->joined * i / by_d + (p->loss.switching + 2 * rippled - p->extra) / (p->V * p->V));
        double step = (p->V - s->E + s->R * p->battery) / fmax(slope, 0.05);
        p->V = fmax(p->V - step, 0.2 * s->E);
        ok = fabs(step) < enough * s->E;
    }
    fill(s, p);
    return ok;
}

/* the highest duty: Newton's method for current and link voltage */
static void full(const Scalars *s, double speed, double hi, Point *p)
{
    double D = HIGHEST_DUTY;
    p->i = hi; p->V = s->E - s->R * D * hi; p->joined = D;
    for (int k = 0; k < 20; k++) {
        double by_d, by_i, rippled;
        p->u = need(s, speed, p->i);
        p->loss = losses(s, D, p->i, p->V);
        p->extra = extra(s, &p->loss);
        p->battery = D * p->i + p->extra / p->V;
        rippled = p->loss.ripple * s->loop + p->loss.stage;
        slopes(s, D, p->i, p->V, &by_d, &by_i);
        double f = output(s, D, p->i, p->V) - p->u, fi = by_i - need_slope(s, p->i);
        double g = p->V - s->E + s->R * p->battery, gi = s->R * (D + p->loss.switching / fmax(p->i, 1e-9) / p->V);
        double gV = 1 + s->R * (p->loss.switching + 2 * rippled - p->extra) / (p->V * p->V), det = fi * gV - D * gi;
        double di = (D * g - gV * f) / det, dV = (gi * f - fi * g) / det;
        p->i += di; p->V += dV;
        if (fabs(di) < 1e-13 * (1 + p->i) && fabs(dV) < 1e-13 * s->E) return;
    }
}

/* the battery current at a limit: Newton's method for the motor current */
static void held(const Scalars *s, double speed, double limit, double hi, Point *p)
{
    double V = s->E - s->R * limit, e = need(s, speed, hi) - s->loop * hi;
    double power = V * limit - STANDBY - 0.5 * V * hi * SWITCHING_TIME * FREQUENCY;
    p->V = V;
    p->i = (copysign(sqrt(fmax(0, e * e + 4 * s->loop * power)), limit) - e) / (2 * s->loop);
    for (int k = 0; k < 20; k++) {
        double by_d, by_i;
        p->u = need(s, speed, p->i);
        fill(s, p);
        double way = sign(p->joined);
        slopes(s, way * p->joined, way * p->i, V, &by_d, &by_i);
        double slope = p->i * (need_slope(s, p->i) - by_i) / by_d + p->joined + p->loss.switching / (p->i * V);
        double step = (p->battery - limit) / slope;
        p->i -= step;
        if (fabs(step) < 1e-9 * (1 + p->i)) break;
    }
    p->u = need(s, speed, p->i);
    fill(s, p);
}

static double offered(const Scalars *s, double D, double i)
{
    double V = s->E - s->R * D * i;
    for (int k = 0; k < 3; k++) {
        Loss l = losses(s, D, i, V);
        V = s->E - s->R * (D * i + extra(s, &l) / fmax(V, 0.2 * s->E));
    }
    return output(s, D, i, V);
}

/* the operating point that the law settles at; returns the direction of its frame */
static double settled(const Scalars *s, Point *p, double *asked_)
{
    const double least = 1e-3;
    double demand = copysign(fmax(0, fabs(s->demand) - least) / (1 - least), s->demand);
    double with_ahead = smooth(1 + s->w / 2), with_astern = smooth(1 - s->w / 2);
    double ahead = with_ahead * MOTOR_LIMIT * s->driving + (1 - with_ahead) * BRAKING_LIMIT * s->braking;
    double astern = with_astern * ASTERN_LIMIT * s->driving + (1 - with_astern) * BRAKING_LIMIT * s->braking;
    double along = demand >= 0 ? 1 : -1;
    double asked = demand >= 0 ? fmin(demand * MOTOR_LIMIT, ahead) : fmin(-demand * ASTERN_LIMIT, astern);
    double speed = along * s->w;
    *asked_ = asked;
    int ok = with(s, asked, need(s, speed, asked), p);
    if (asked > 0 && (p->joined > HIGHEST_DUTY || (!ok && offered(s, HIGHEST_DUTY, asked) < need(s, speed, asked))))
        full(s, speed, asked, p);
    if (p->battery > BATTERY_LIMIT) held(s, speed, BATTERY_LIMIT, p->i, p);
    else if (p->battery < -CHARGE_LIMIT) held(s, speed, -CHARGE_LIMIT, p->i, p);
    return along;
}

static void operate(const Scalars *s, Out *o)
{
    Point p;
    double asked, along = settled(s, &p, &asked);
    o->unbalanced = 0;
    if (ELECTRICAL) { /* the current loop drives the motor current towards it, within what the link offers */
        double goal = along * p.i, way = sign(s->w);
        if (goal != 0) way = sign(goal);
        else if (asked > 0) way = sign(s->demand);
        double i = way * s->motor, wants = need(s, way * s->w, i), u = wants + (INDUCTANCE + MOTOR_CABLE_L) * (way * goal - i) / LOOP_TIME;
        double most = offered(s, HIGHEST_DUTY, i), least = -offered(s, 1, -i);
        u = fmin(most, fmax(least, u));
        with(s, i, u, &p);
        along = way;
        o->unbalanced = along * (u - wants);
    }
    o->motor = along * p.i;
    o->battery = o->link = p.battery;
    o->volts = p.V;
    o->torque = o->motor * emf_factor(s);
    o->in_switch = p.loss.cond_switch + p.loss.switching;
    o->in_free = p.loss.cond_free;
    o->in_capacitor = p.loss.capacitor;
    o->ripple = p.loss.ripple;
}

/* ---- what the operating point reads of the states */

static double sum(const double *x, int n) { double s = 0; while (n--) s += *x++; return s; }

static double open_circuit(double level)
{
    double v = hermite(OCV, OCV_COUNT, fmin(1, fmax(0, level)));
    return CELLS * v * (level < 0 ? fmax(0.02, 1 + 8 * level) : 1);
}

static double bank_ohms(double T) { return BANK_OHMS * exp(fmin(3, fmax(-1, COLDNESS * (BANK_REFERENCE - T)))); }

static void scalars(const double *y, Scalars *s)
{
    const double *T = y + NODES;
    double ohms = FUSE_OHMS + bank_ohms(T[AT_BATTERY]);
    s->loop = MOTOR_OHMS * copper(T[AT_WINDING]);
    for (int k = 0; k < CONDUCTORS; k++) {
        double r = conductors[k].ohms * (conductors[k].copper ? copper(T[conductors[k].node]) : 1);
        if (conductors[k].motor) s->loop += r; else ohms += r;
    }
    s->E = open_circuit(y[CHARGE]) - y[PAIR] - y[PAIR + 1];
    s->R = ohms;
    s->motor = 0;
    if (ELECTRICAL) { s->E = y[LINK_V] + ESR * y[PATH_I]; s->R = ESR; s->motor = y[MOTOR_I]; }
    s->magnet = T[AT_HOUSING];
    s->on = SWITCH_OHMS * fmax(0.3, 1 + SWITCH_RISE * (T[AT_SINK] + sum(y + SWITCH, FOSTERS) - 298.15));
    s->free = FREE_OHMS * fmax(0.3, 1 + SWITCH_RISE * (T[AT_SINK] + sum(y + FREE, FOSTERS) - 298.15));
    double stage = falling(y[SINK_SEEN], STAGE_START, STAGE_END, DERATING_FLOOR);
    double low = falling(-y[VOLTS], -LOW_START, -LOW_END, 0);
    double high = HIGH_END > 0 ? falling(y[VOLTS], HIGH_START, HIGH_END, 0) : 1;
    s->driving = fmin(stage, low);
    s->braking = fmin(stage, high);
    s->w = y[SPEED];
    s->demand = y[DEMAND];
}

static double target(double t)
{
    double lever = mode.lever0 + mode.rate * (t - mode.t0), a = fabs(lever);
    return a <= DEADBAND ? 0 : copysign(pow((fmin(a, 1) - DEADBAND) / (1 - DEADBAND), CURVE), lever);
}

/* How fast the lever's filter would move the demand, and how fast the ramp lets it fall and rise. */
static void ramp(double t, const double *y, double *wish, double *down, double *up)
{
    double to = target(t);
    *up = *down = 1 / RAMP_RISE;
    if (y[DEMAND] > 0) *down = 1 / (to < 0 ? RAMP_REVERSAL : RAMP_FALL);
    if (y[DEMAND] < 0) *up = 1 / (to > 0 ? RAMP_REVERSAL : RAMP_FALL);
    *wish = (to - y[DEMAND]) / LEVER_FILTER;
}

/* ---- the derivatives, from states and operating point */

static void water(double w, double v, double *thrust, double *q, double *shaft, double *gear_loss)
{
    double n = w / GEAR / (2 * M_PI), va = (1 - WAKE) * v, u = 0.7 * M_PI * n * DIAMETER;
    double x = (atan2(va, u) + M_PI) * (STAR_COUNT / (2 * M_PI)), f = floor(x);
    int k = (int)f & (STAR_COUNT - 1);
    const double *a = STAR[k], *b = STAR[(k + 1) & (STAR_COUNT - 1)];
    x -= f;
    double h01 = x * x * (3 - 2 * x), h10 = x * (1 - x) * (1 - x), h11 = x * x * (x - 1);
    double pressure = M_PI / 8 * WATER_DENSITY * (va * va + u * u) * DIAMETER * DIAMETER;
    *thrust = pressure * (a[0] + h01 * (b[0] - a[0]) + h10 * a[1] + h11 * b[1]);
    *q = pressure * DIAMETER * (a[2] + h01 * (b[2] - a[2]) + h10 * a[3] + h11 * b[3]);
    double wp = w / GEAR, seal = SEAL * hard_tanh(wp), torque = *q + seal, power = torque * wp, forward = smooth(power / 5);
    double factor = forward / EFFICIENCY + (1 - forward) * EFFICIENCY;
    *shaft = torque / GEAR * factor;
    *gear_loss = power * (factor - 1) + seal * wp;
}

static double resistance(double v)
{
    double a = fabs(v), k = a <= HULL[1][0] ? HULL[1][1] : a <= HULL[HULL_COUNT - 1][0] ? hermite(HULL, HULL_COUNT, a)
        : HULL[HULL_COUNT - 1][1] * pow(a / HULL[HULL_COUNT - 1][0], HULL_EXPONENT);
    return k * v * a;
}

static void flows(double t, const double *y, const Out *o, double *dy)
{
    const double *T = y + NODES;
    double *dT = dy + NODES, w = y[SPEED], q[NODE_COUNT] = {0};
    double ib = ELECTRICAL ? y[PATH_I] : o->battery, im = o->motor, volts = o->volts, bank_r = bank_ohms(T[AT_BATTERY]);
    double open = open_circuit(y[CHARGE]), drag = FRICTION * hard_tanh(w) + VISCOUS * w + WINDAGE * w * fabs(w);
    double thrust, torque, shaft, gear_loss;
    water(w, y[BOAT], &thrust, &torque, &shaft, &gear_loss);

    dy[CHARGE] = -ib / CAPACITY;
    double polarised = 0;
    for (int k = 0; k < 2; k++) {
        dy[PAIR + k] = (PAIRS[k][0] * ib - y[PAIR + k]) / PAIRS[k][1];
        polarised += y[PAIR + k] * y[PAIR + k] / PAIRS[k][0];
    }
    dy[SPEED] = (o->torque - drag - shaft) / INERTIA;
    dy[BOAT] = ((1 - DEDUCTION) * thrust - resistance(y[BOAT])) / HULL_MASS;
    dy[WAY] = y[BOAT];

    double wish, down, up;
    ramp(t, y, &wish, &down, &up);
    dy[DEMAND] = fmax(-down, fmin(up, wish));
    dy[VOLTS] = (volts - y[VOLTS]) / VOLTS_FILTER;
    dy[SINK_SEEN] = (T[AT_SINK] - y[SINK_SEEN]) / TEMPERATURE_FILTER;
    dy[MOTOR_SEEN] = (T[AT_HOUSING] - y[MOTOR_SEEN]) / TEMPERATURE_FILTER;
    dy[STALL_TIME] = mode.stalling;
    dy[LOW_TIME] = 0;

    q[AT_BATTERY] += ib * ib * bank_r + polarised;
    double path = FUSE_OHMS;
    for (int k = 0; k < CONDUCTORS; k++) {
        double r = conductors[k].ohms * (conductors[k].copper ? copper(T[conductors[k].node]) : 1);
        q[conductors[k].node] += r * (conductors[k].motor ? im * im + o->ripple : ib * ib);
        if (!conductors[k].motor) path += r;
    }
    q[AT_AIR] += FUSE_OHMS * ib * ib;
    q[AT_CONTACTOR] += COIL;
    q[AT_SINK] += o->in_switch + o->in_free + HOUSEKEEPING;
    q[AT_CAPACITOR] += o->in_capacitor;
    double charging = 0;
    if (ELECTRICAL) { charging = ib - o->link; q[AT_CAPACITOR] += ESR * charging * charging; }
    q[AT_WINDING] += MOTOR_OHMS * copper(T[AT_WINDING]) * (im * im + o->ripple);
    double brush = BRUSH_DROP * hard_tanh(im) * im, still = fabs(w) > 30 ? 0 : exp(-(w / 3) * (w / 3));
    q[AT_BARS] += brush * still;
    q[AT_COMMUTATOR] += brush * (1 - still);
    q[AT_HOUSING] += drag * w;
    dy[HEAT_J] = gear_loss + sum(q, NODE_COUNT);
    for (int k = 0; k < NODE_COUNT; k++) dT[k] = q[k];
    for (int k = 0; k < LINKS; k++) {
        double g = links[k].conductance, flow;
        if (k == HOUSING_LINK) g *= STANDSTILL + (1 - STANDSTILL) * fmin(1.5, fabs(w) / RATED_SPEED);
        flow = g * (T[links[k].from] - (links[k].to < 0 ? AIR : T[links[k].to]));
        dT[links[k].from] -= flow;
        if (links[k].to >= 0) dT[links[k].to] += flow;
    }
    for (int k = 0; k < NODE_COUNT; k++) dT[k] /= capacities[k];
    for (int k = 0; k < FOSTERS; k++) {
        dy[SWITCH + k] = (o->in_switch * FOSTER[k][0] - y[SWITCH + k]) / FOSTER[k][1];
        dy[FREE + k] = (o->in_free * FOSTER[k][0] - y[FREE + k]) / FOSTER[k][1];
    }
    double rated = FUSE_RATING * sqrt((FUSE_MELTED - T[AT_AIR]) / (FUSE_MELTED - FUSE_CURVE_AT)), load = ib / rated;
    for (int k = 0; k < FUSES; k++) dy[FUSE + k] = (load * load * ELEMENT[k][0] - y[FUSE + k]) / ELEMENT[k][1];
    dy[BATTERY_J] = open * ib;
    dy[ABS_J] = fabs(dy[BATTERY_J]);
    dy[SHAFT_J] = torque * w / GEAR;
    if (ELECTRICAL) {
        dy[MOTOR_I] = o->unbalanced / (INDUCTANCE + MOTOR_CABLE_L);
        dy[PATH_I] = (open - y[PAIR] - y[PAIR + 1] - (bank_r + path) * ib - volts) / PATH_L;
        dy[LINK_V] = charging / CAPACITANCE;
    }
}

static long evaluations;

static int rhs(realtype t, N_Vector y, N_Vector dy, void *data)
{
    (void)data;
    Scalars s;
    Out o;
    scalars(NV_DATA_S(y), &s);
    operate(&s, &o);
    flows(t, NV_DATA_S(y), &o, NV_DATA_S(dy));
    evaluations++;
    return 0;
}

/*
 * The Jacobian by its structure: flows by the states with the operating point held, columns that share no row perturbed
 * together; flows by the operating point, the operating point by its scalars, the scalars by the few states that they read.
 */
static int group[N], groups, reads[N];
static unsigned char pattern[N][N];
static double typical(int k, const double *y) { return 1e-7 * fmax(fabs(y[k]), k >= BATTERY_J && k <= ABS_J ? 1e3 : 1); }

static void learn(const double *y0)
{
    for (int trial = 0; trial < 20; trial++) {
        double y[N], a[N], b[N];
        Scalars s, moved;
        Out o;
        for (int k = 0; k < N; k++) y[k] = y0[k] + (k >= NODES && k < MOTOR_I ? 3.0 * (rand() % 10) : k == SPEED ? rand() % 60 : 0.01 * (rand() % 10));
        scalars(y, &s);
        operate(&s, &o);
        flows(0, y, &o, a);
        for (int k = 0; k < N; k++) {
            double was = y[k];
            y[k] += 1e-3;
            flows(0, y, &o, b);
            scalars(y, &moved);
            y[k] = was;
            for (int i = 0; i < N; i++) pattern[i][k] |= a[i] != b[i];
            reads[k] |= memcmp(&s, &moved, sizeof s) != 0;
        }
    }
    reads[SINK_SEEN] = reads[VOLTS] = 1;
    for (int k = 0; k < N; k++) {
        for (group[k] = 0;; group[k]++) {
            int free_ = 1;
            for (int j = 0; j < k && free_; j++)
                if (group[j] == group[k])
                    for (int i = 0; i < N; i++)
                        if (pattern[i][j] && pattern[i][k]) { free_ = 0; break; }
            if (free_) break;
        }
        if (group[k] >= groups) groups = group[k] + 1;
    }
}

static int jacobian(realtype t, N_Vector yv, N_Vector fv, SUNMatrix J, void *data, N_Vector t1, N_Vector t2, N_Vector t3)
{
    (void)fv; (void)data; (void)t1; (void)t2; (void)t3;
    double *y = NV_DATA_S(yv), f[N], g[N], step[N], byOut[OUTS][N], outBy[SCALARS][OUTS];
    Scalars s;
    Out o, moved;
    scalars(y, &s);
    operate(&s, &o);
    flows(t, y, &o, f);
    for (int c = 0; c < groups; c++) {
        double z[N];
        memcpy(z, y, sizeof z);
        for (int k = 0; k < N; k++) if (group[k] == c) { z[k] += typical(k, y); step[k] = z[k] - y[k]; }
        flows(t, z, &o, g);
        for (int k = 0; k < N; k++) if (group[k] == c) {
            double *column = SM_COLUMN_D(J, k);
            for (int i = 0; i < N; i++) column[i] = pattern[i][k] ? (g[i] - f[i]) / step[k] : 0;
        }
    }
    for (int j = 0; j < OUTS; j++) {
        moved = o;
        double *x = (double *)&moved + j, d = 1e-7 * fmax(1, fabs(*x));
        *x += d; d = *x - ((double *)&o)[j];
        flows(t, y, &moved, g);
        for (int i = 0; i < N; i++) byOut[j][i] = (g[i] - f[i]) / d;
    }
    for (int j = 0; j < SCALARS; j++) {
        Scalars m = s;
        double *x = (double *)&m + j, d = 1e-6 * (j == 8 ? fmax(10, fabs(*x)) : *x != 0 ? fabs(*x) : 1);
        if ((j == 6 || j == 7) && *x == 1) d = -d;
        *x += d; d = *x - ((double *)&s)[j];
        operate(&m, &moved);
        for (int i = 0; i < OUTS; i++) outBy[j][i] = (((double *)&moved)[i] - ((double *)&o)[i]) / d;
    }
    for (int k = 0; k < N; k++) {
        if (!reads[k]) continue;
        Scalars m;
        double was = y[k], d = typical(k, y);
        y[k] += d; d = y[k] - was;
        scalars(y, &m);
        y[k] = was;
        double change[OUTS] = {0}, *column = SM_COLUMN_D(J, k);
        for (int j = 0; j < SCALARS; j++) {
            double by = (((double *)&m)[j] - ((double *)&s)[j]) / d;
            if (by != 0) for (int i = 0; i < OUTS; i++) change[i] += by * outBy[j][i];
        }
        for (int j = 0; j < OUTS; j++)
            if (change[j] != 0) for (int i = 0; i < N; i++) column[i] += byOut[j][i] * change[j];
    }
    return 0;
}

/* ---- what is looked for: the stall timer's beginning and end, then the passages of model.h */

static double stalling(const double *y)
{
    Scalars s;
    Out o;
    scalars(y, &s);
    operate(&s, &o);
    return fmin(fabs(o.motor) / (STALL_CURRENT * MOTOR_LIMIT + 1e-9) - 1, 1 - fabs(s.w) / (STALL_SPEED + 1e-9));
}

static double watched(const double *y, int k)
{
    switch (passages[k].what) {
    case 0: return y[NODES + passages[k].node];
    case 1: return y[NODES + AT_SINK] + sum(y + SWITCH, FOSTERS);
    default: return fabs(y[SPEED]);
    }
}

static int kinks; /* restart where the demand begins or ceases to follow its ramp */

static int roots(realtype t, N_Vector yv, realtype *g, void *data)
{
    (void)data;
    const double *y = NV_DATA_S(yv);
    double m = stalling(y);
    g[0] = mode.stalling ? -0.05 - m : m;
    for (int k = 0; k < PASSAGES; k++) g[1 + k] = watched(y, k) - passages[k].limit;
    if (kinks) {
        double wish, down, up;
        ramp(t, y, &wish, &down, &up);
        g[1 + PASSAGES] = wish / down + 1;
        g[2 + PASSAGES] = wish / up - 1;
    }
    return 0;
}

/* ---- a run */

static double now(void)
{
    struct timespec t;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
    return t.tv_sec + 1e-9 * t.tv_nsec;
}

static void check(int flag, const char *what)
{
    if (flag >= 0) return;
    fprintf(stderr, "%s: %s\n", what, CVodeGetReturnFlagName(flag));
    exit(1);
}

typedef struct { long steps, evaluations, jacobians, setups; double seconds; } Work;

static Work run(int analytic, double scale, int print)
{
    Work work = {0};
    double started = now();
    SUNContext context;
    SUNContext_Create(NULL, &context);
    N_Vector y = N_VNew_Serial(N, context), tolerance = N_VNew_Serial(N, context);
    for (int k = 0; k < N; k++) {
        NV_Ith_S(y, k) = initial[k];
        NV_Ith_S(tolerance, k) = scale * tolerances[k];
    }
    evaluations = 0;
    mode.stalling = 0;
    void *cv = CVodeCreate(CV_BDF, context);
    SUNMatrix J = SUNDenseMatrix(N, N, context);
    SUNLinearSolver solver = SUNLinSol_Dense(y, J, context);
    check(CVodeInit(cv, rhs, 0, y), "init");
    check(CVodeSVtolerances(cv, scale * 1e-7, tolerance), "tolerances");
    check(CVodeSetLinearSolver(cv, solver, J), "solver");
    if (analytic) check(CVodeSetJacFn(cv, jacobian), "jacobian");
    int direction[3 + PASSAGES] = {1};
    check(CVodeRootInit(cv, 1 + PASSAGES + 2 * kinks, roots), "roots");
    check(CVodeSetRootDirection(cv, direction), "direction");
    check(CVodeSetMaxNumSteps(cv, 1000000), "steps");
    realtype t = 0;
    for (int c = 0; c < STRETCHES; c++) {
        double end = stretches[c].end;
        mode.t0 = t;
        mode.lever0 = stretches[c].from;
        mode.rate = (stretches[c].to - stretches[c].from) / (end - t);
        for (int fresh = 1; t < end;) {
            if (fresh) {
                double m = stalling(NV_DATA_S(y));
                if (mode.stalling ? -0.05 - m >= 0 : m >= 0) { mode.stalling = !mode.stalling; NV_Ith_S(y, STALL_TIME) = 0; }
                check(CVodeReInit(cv, t, y), "restart");
                check(CVodeSetStopTime(cv, end), "stop");
            }
            int flag = CVode(cv, end, y, &t, CV_NORMAL);
            check(flag, "solve");
            fresh = 0;
            if (flag == CV_ROOT_RETURN) {
                int found[3 + PASSAGES] = {0};
                CVodeGetRootInfo(cv, found);
                for (int k = 0; k < PASSAGES; k++)
                    if (print && found[1 + k]) printf("passage %d %.9f\n", k, t);
                fresh = found[0] || found[1 + PASSAGES] || found[2 + PASSAGES];
            }
            if (fresh || t >= end) {
                long n;
                CVodeGetNumSteps(cv, &n); work.steps += n;
                CVodeGetNumLinSolvSetups(cv, &n); work.setups += n;
                CVodeGetNumJacEvals(cv, &n); work.jacobians += n;
            }
        }
        if (print) {
            printf("corner %.9f", t);
            for (int k = 0; k < N; k++) printf(" %.12g", NV_Ith_S(y, k));
            printf("\n");
        }
    }
    work.seconds = now() - started;
    work.evaluations = evaluations;
    CVodeFree(&cv);
    SUNLinSolFree(solver);
    SUNMatDestroy(J);
    N_VDestroy(y);
    N_VDestroy(tolerance);
    SUNContext_Free(&context);
    return work;
}

int main(int count, char **arg)
{
    learn(initial);
    if (count > 1 && !strcmp(arg[1], "rhs")) {
        enough = 1e-12;
        double y[N], dy[N], lever;
        while (scanf("%lf", &lever) == 1) {
            for (int k = 0; k < N; k++) if (scanf("%lf", y + k) != 1) return 1;
            Scalars s;
            Out o;
            mode.t0 = 0; mode.lever0 = lever; mode.rate = 0;
            scalars(y, &s);
            operate(&s, &o);
            flows(0, y, &o, dy);
            for (int k = 0; k < N; k++) printf("%.17g ", dy[k]);
            printf("\n");
        }
        return 0;
    }
    if (count < 5) return 1;
    int analytic = atoi(arg[2]) > 0, repeats = atoi(arg[4]);
    kinks = atoi(arg[2]) > 1;
    double scale = atof(arg[3]);
    Work work = run(analytic, scale, 1);
    for (int k = 1; k < repeats; k++) {
        Work again = run(analytic, scale, 0);
        if (again.seconds < work.seconds) work.seconds = again.seconds;
    }
    printf("work %ld %ld %ld %ld %.9f\n", work.steps, work.evaluations, work.jacobians, work.setups, work.seconds);
    return 0;
}
