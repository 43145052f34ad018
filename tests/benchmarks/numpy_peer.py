"""The whole model again as straightforward blocked numpy: every step an array over setups. A yardstick for speed.

Written to be fast in the usual way (whole blocks, masks, no Python loop over setups) and no faster; its numbers must
equal those of the compiled kernel. Rigid chassis only, like the demo.
"""

from __future__ import annotations

from types import SimpleNamespace as Bag

import numpy as np
from scipy.linalg import expm

from explorer.model.car.slots import PHASE_COLUMNS, SLOT, SLOTS
from explorer.model.car.tyre import TABLE_HIGH, TABLE_LOW, TABLE_STEPS_PER_UNIT, bump_table
from explorer.model.metrics import CAR_COLUMN, N_CAR, N_PHASE, PHASE_COLUMN

G = 9.80665
SCAN = (np.arange(1, 33) / 32) ** 1.5
BLOCK = 8192


def car_of(p: np.ndarray) -> Bag:
    """Everything that follows from parameter vectors (rows, slots) before cornering."""
    v = {name: p[:, SLOT[name]] for name in SLOTS}
    m, length = v["mass"], v["wheelbase"]
    share = v["front_weight_share"] + v["ballast_mass"] * v["ballast_shift"] / (m * length)
    sprung = {"front": m * share - 2 * v["front_unsprung_mass"], "rear": m * (1 - share) - 2 * v["rear_unsprung_mass"]}
    total = sprung["front"] + sprung["rear"]
    dh = {end: v[f"{end}_ride_height"] - v[f"{end}_ride_height_reference"] for end in sprung}
    moment = sum(2 * v[f"{end}_unsprung_mass"] * v[f"{end}_wheel_radius"] for end in sprung)
    rise = sum(sprung[end] * dh[end] for end in sprung) / total
    height = (m * v["cg_height"] - moment) / total + rise
    cg = v["cg_height"] + total / m * rise
    axles = {}
    for end, part in (("front", share), ("rear", 1 - share)):
        centre = v[f"{end}_roll_centre_height"] + v[f"{end}_roll_centre_rate"] * dh[end]
        mu = v["grip"] * v[f"{end}_tyre_grip"] * (v["front_grip_ratio"] if end == "front" else 1.0)
        axles[end] = Bag(
            t=v[f"{end}_track"], weight=m * G * part, sprung=sprung[end], part=sprung[end] / total,
            unsprung=v[f"{end}_unsprung_mass"], kw=v[f"{end}_spring_rate"] * v[f"{end}_spring_motion_ratio"] ** 2,
            kb=v[f"{end}_bar_rate"] * v[f"{end}_bar_motion_ratio"] ** 2, kt=v[f"{end}_tyre_rate"], arm=height - centre,
            a=sprung[end] * centre + 2 * v[f"{end}_unsprung_mass"] * v[f"{end}_wheel_radius"],
            lifted=sprung[end] + 2 * v[f"{end}_unsprung_mass"], droop=np.maximum(v[f"{end}_droop"] - dh[end], 0.0),
            camber=v[f"{end}_camber"] + v[f"{end}_camber_gain"] * dh[end], gain=v[f"{end}_camber_gain"],
            c=v[f"{end}_damping"], ride=v[f"{end}_ride_height"], mu=mu,
        )  # fmt: skip
    front, rear = axles["front"], axles["rear"]
    arm = front.part * front.arm + rear.part * rear.arm
    return Bag(v=v, m=m, length=length, share=share, cg=cg, total=total, arm=arm, front=front, rear=rear)


def take(bag: Bag, rows: np.ndarray) -> Bag:
    """The chosen setups only, all the way down."""
    return Bag(**{k: take(x, rows) if isinstance(x, Bag) else {n: y[rows] for n, y in x.items()} if isinstance(x, dict)
                  else x[rows] if isinstance(x, np.ndarray) else x for k, x in vars(bag).items()})  # fmt: skip


def axle_state(x: Bag, ay: np.ndarray, phi: np.ndarray, weight: np.ndarray) -> Bag:
    """Three stages of an axle at a roll, lateral acceleration and weight."""
    jack = x.sprung * (ay * np.sin(phi) + G * (1 - np.cos(phi)))
    extra = weight - x.weight
    stop = np.maximum(x.droop + (extra - jack) / (2 * x.kw), 0.0)
    a = x.a - x.lifted * extra / (2 * x.kt)
    free, held = 2 / (x.kw + x.kb), 1 / (x.kw + 0.5 * x.kb)
    offset = stop * x.kw * held
    eta = 2 * a * G / (x.kt * x.t**2)
    kappa = 2 / (x.kt * (1 - eta))
    direct = a * ay / x.t

    def contact(compliance, shift):
        return (phi * x.t - shift - kappa * direct) / (compliance + kappa)

    def lifted(compliance, shift):
        tip = a * G + 0.5 * x.lifted * ay * x.t
        own = a * ay - x.lifted * ay * weight / (2 * x.kt)
        spare = phi - (shift + 0.5 * compliance * weight) / x.t
        return 0.5 * weight - (own + tip * spare) / (x.t - tip * compliance / x.t)

    limit = stop * (x.kw + x.kb)
    elastic = contact(free, 0.0)
    on_stop = elastic > limit
    elastic = np.where(on_stop, contact(held, offset), elastic)
    excess = (elastic + direct) / (1 - eta) - 0.5 * weight
    up = excess > 0
    loose = lifted(free, 0.0)
    up_stop = loose > limit
    loose = np.where(up_stop, lifted(held, offset), loose)
    elastic = np.where(up, loose, elastic)
    on_stop = np.where(up, up_stop, on_stop)
    transfer = np.where(up, 0.5 * weight, (elastic + direct) / (1 - eta))
    compliance = np.where(on_stop, held, free)
    tip = a * G + 0.5 * x.lifted * ay * x.t
    stiff = np.where(up, -tip * x.t**2 / (x.t**2 - tip * compliance), x.t**2 / (compliance + kappa))
    travel = compliance * elastic + np.where(on_stop, offset, 0.0)
    inner = np.where(on_stop, stop, 0.5 * travel)
    outer = travel - inner
    own_roll = phi - travel / x.t
    heave = 0.5 * (inner - outer) + (jack - extra) / (2 * x.kw)
    rise = heave - extra / (2 * x.kt) + np.where(up, 0.5 * own_roll * x.t - transfer / x.kt, 0.0)
    return Bag(elastic=elastic, transfer=transfer, travel=travel, own_roll=own_roll, heave=heave, rise=rise,
               weight=weight, excess=excess, stiff=stiff, on_stop=on_stop,
               suspension=compliance * stiff / x.t**2)  # fmt: skip


def residual(car: Bag, phase: Bag, phi, ay, handed):
    """Moment and handed load that are left, and both axles' states."""
    total = phase.front + phase.rear
    front_weight = np.clip(phase.front + handed, 0.0, total)
    states = axle_state(car.front, ay, phi, front_weight), axle_state(car.rear, ay, phi, total - front_weight)
    moment = 0.0
    for x, s in zip((car.front, car.rear), states, strict=True):
        need = x.sprung * x.arm * (ay * np.cos(phi) + G * np.sin(phi)) + x.sprung * ay * s.heave
        moment = moment + s.elastic * x.t - need
    ahead = car.arm * (states[1].rise - states[0].rise) / car.length
    higher = car.front.part * states[0].rise + car.rear.part * states[1].rise
    return moment, car.total * (G * ahead - phase.along * higher) / car.length - handed, *states


def equilibrium(car: Bag, phase: Bag, phi, ay, handed):
    """Lateral acceleration and handed load at a roll angle: Newton with differences, all setups at once."""
    ay, handed = ay.copy(), handed.copy()
    for _ in range(60):
        f, g, *states = residual(car, phase, phi, ay, handed)
        if (np.abs(f) <= 1e-13 * car.m * G * car.cg).all() and (np.abs(g) <= 1e-13 * car.m * G).all():
            break
        da, dp = 1e-6 * np.maximum(ay, 1.0), 1e-5
        fa, ga, *_ = residual(car, phase, phi, ay + da, handed)
        fp, gp, *_ = residual(car, phase, phi, ay, handed + dp)
        faa, gaa, fpp, gpp = (fa - f) / da, (ga - g) / da, (fp - f) / dp, (gp - g) / dp
        det = faa * gpp - fpp * gaa
        step_a, step_p = (-f * gpp + g * fpp) / det, (-g * faa + f * gaa) / det
        ay = np.maximum(ay + step_a, 0.5 * ay)
        handed = handed + step_p
    return ay, handed, *states


def wheels_of(car: Bag, phase: Bag, front: Bag, rear: Bag, over=None) -> Bag:
    """Loads and leans of four wheels; over: setups that rolled over."""
    result = {}
    for end, x, s in (("front", car.front, front), ("rear", car.rear, rear)):
        transfer = s.transfer if over is None else np.where(over, 0.5 * s.weight, s.transfer)
        lean = s.travel / x.t * (1 - 0.5 * x.gain * x.t) + s.own_roll
        start = (phase.inner_lean, phase.outer_lean) if end == "front" else (x.camber, -x.camber)
        result[end] = ((0.5 * s.weight - transfer, start[0] - lean), (0.5 * s.weight + transfer, start[1] - lean))
    return Bag(**result)


def bump_factor(load, rms, n):
    """Mean of load^(1-n) over the variation that keeps the mean load: the model's own table, read by cubic Hermite."""
    table = bump_table(float(n[0]))
    y = np.log(np.where(load > 0, load / rms, 1.0))
    if not (n == n[0]).all() or (y >= TABLE_HIGH).any():
        raise NotImplementedError("one load sensitivity, and loads below the top of the table")
    place = np.maximum(y - TABLE_LOW, 0.0) * TABLE_STEPS_PER_UNIT
    k = np.minimum(place.astype(np.int64), len(table) - 2)
    s, h = place - k, 1 / TABLE_STEPS_PER_UNIT
    value = (1 + 2 * s) * (1 - s) ** 2 * table[k, 0] + s * (1 - s) ** 2 * h * table[k, 1]
    value += s * s * (3 - 2 * s) * table[k + 1, 0] + s * s * (s - 1) * h * table[k + 1, 1]
    value += table[0, 1] * np.minimum(y - TABLE_LOW, 0.0)
    return np.where(load > 0, np.exp(value), 1.0)


def grip_of(car: Bag, phase: Bag, wheels: Bag, ay):
    """Demand less capacity at the front and at the rear."""
    v, n, f0 = car.v, car.v["load_sensitivity"], car.v["reference_load"]
    yaw, capacity = 0.0, {}
    for end, x in (("front", car.front), ("rear", car.rear)):
        force = getattr(phase, f"{end}_force")
        pair = getattr(wheels, end)
        weight = pair[0][0] + pair[1][0]
        peak, shift = 0.0, 0.0
        for load, lean in pair:
            factor = 1 / (1 + ((lean - v["best_lean"]) / v["lean_width"]) ** 2)
            rms = getattr(phase, f"{end}_rms")
            if (rms > 0).any():
                factor = factor * bump_factor(load, rms, n)
            peak = peak + x.mu * f0 * (np.maximum(load, 0.0) / f0) ** (1 - n) * factor * (load > 0)
            shift = shift + load * v["patch_shift"] * np.tanh(lean / v["patch_lean"])
        yaw = yaw - np.where(weight > 0, force * shift / np.where(weight > 0, weight, 1.0), 0.0)
        top = v["longitudinal_grip_ratio"] * peak
        left = 1 - (force / np.where(top > 0, top, 1.0)) ** 2
        capacity[end] = np.where(top > np.abs(force), peak * np.sqrt(np.maximum(left, 0.0)), 0.0)
    lateral = car.m * ay
    front = lateral * car.share - yaw / car.length - capacity["front"]
    return front, lateral * (1 - car.share) + yaw / car.length - capacity["rear"]


def event_of(which: str, car: Bag, phase: Bag, ay, front: Bag, rear: Bag):
    if which in ("front lift", "rear lift"):
        return (front if which == "front lift" else rear).excess
    if which == "required":
        return ay - phase.lateral
    both = grip_of(car, phase, wheels_of(car, phase, front, rear), ay)
    return both[0] if which == "front grip" else both[1]


def crossing(which: str, car: Bag, phase: Bag, low, high):
    """Roll at which an event rises through zero between brackets (roll, ay, handed, value): Illinois, with masks."""
    (a, _, _, fa), (b, ay, handed, fb) = ([x.copy() for x in low], [x.copy() for x in high])
    live = np.arange(len(a))
    side = np.zeros(len(a))
    root, at, tilt = b.copy(), ay.copy(), handed.copy()
    for step in range(120):
        live = live[(b[live] - a[live]) > 1e-14 * b[live]]
        if len(live) == 0:
            break
        c = (a[live] * fb[live] - b[live] * fa[live]) / (fb[live] - fa[live])
        bad = ~((c > a[live]) & (c < b[live])) | (step % 12 == 11)
        c = np.where(bad, 0.5 * (a[live] + b[live]), c)
        some, where = take(car, live), take(phase, live)
        now, lean, front, rear = equilibrium(some, where, c, at[live], tilt[live])
        value = event_of(which, some, where, now, front, rear)
        root[live], at[live], tilt[live] = c, now, lean
        below = value < 0
        fb[live[below]] *= np.where(side[live[below]] < 0, 0.5, 1.0)
        a[live[below]], fa[live[below]], side[live[below]] = c[below], value[below], -1.0
        above = value > 0
        fa[live[above]] *= np.where(side[live[above]] > 0, 0.5, 1.0)
        b[live[above]], fb[live[above]], side[live[above]] = c[above], value[above], 1.0
        live = live[value != 0]
    return root, at, tilt


def lift_of(which: str, car: Bag, phase: Bag):
    """(roll, ay, handed) of the first lift, by walking out until it has happened."""
    rows = len(car.m)
    zero = np.zeros(rows)
    _, start, front, rear = equilibrium(car, phase, zero, zero, zero)
    low = [zero.copy(), zero.copy(), start, event_of(which, car, phase, zero, front, rear)]
    high = [x.copy() for x in low]
    live, roll = np.arange(rows), 0.02
    while len(live) and roll < 1.2:
        some, where = take(car, live), take(phase, live)
        guess = np.maximum(low[1][live] * 1.6, 1.0)
        ay, handed, front, rear = equilibrium(some, where, np.full(len(live), roll), guess, low[2][live])
        value = event_of(which, some, where, ay, front, rear)
        target = high
        for store, x in zip(target, (np.full(len(live), roll), ay, handed, value), strict=True):
            store[live] = x
        still = value < 0
        for store, x in zip(low, (np.full(len(live), roll), ay, handed, value), strict=True):
            store[live[still]] = x[still]
        live = live[still]
        roll *= 1.6
    return crossing(which, car, phase, low, high)


def highest(car: Bag, phase: Bag, low, high):
    """(roll, ay, handed) of the largest lateral acceleration between two points, by golden section."""
    ratio = 0.5 * (np.sqrt(5.0) - 1.0)
    a, b = low[0].copy(), high[0].copy()
    left = [b - ratio * (b - a), *equilibrium(car, phase, b - ratio * (b - a), low[1], low[2])[:2]]
    right = [a + ratio * (b - a), *equilibrium(car, phase, a + ratio * (b - a), high[1], high[2])[:2]]
    for _ in range(80):
        to_left = left[1] >= right[1]
        a, b = np.where(to_left, a, left[0]), np.where(to_left, right[0], b)
        roll = np.where(to_left, b - ratio * (b - a), a + ratio * (b - a))
        kept = [np.where(to_left, x, y) for x, y in zip(left, right, strict=True)]
        fresh = [roll, *equilibrium(car, phase, roll, kept[1], kept[2])[:2]]
        left, right = (
            [np.where(to_left, x, y) for x, y in zip(fresh, kept, strict=True)],
            [np.where(to_left, x, y) for x, y in zip(kept, fresh, strict=True)],
        )
    return [np.where(left[1] >= right[1], x, y) for x, y in zip(left, right, strict=True)]


def corner(car: Bag, phase: Bag) -> Bag:
    """Limits and the required state of one phase. The path must end at or before the second lift, as on every car of
    the demo (at the first where it stays lower past that); anything else is refused."""
    lifts = [lift_of("front lift", car, phase), lift_of("rear lift", car, phase)]
    front_first = lifts[0][0] <= lifts[1][0]
    end = [np.where(front_first, r, f) for f, r in zip(*lifts, strict=True)]
    once = [np.where(front_first, f, r) for f, r in zip(*lifts, strict=True)]
    beside, *_ = equilibrium(car, phase, end[0] * (1 - 1e-7), end[1], end[2])
    bent = np.flatnonzero(beside > end[1])
    if len(bent):
        ends = [x[bent] for x in once], [x[bent] for x in end]
        for store, x in zip(end, highest(take(car, bent), take(phase, bent), *ends), strict=True):
            store[bent] = x
    after, *_ = equilibrium(car, phase, end[0] * (1 + 1e-7), end[1], end[2])
    if not (after <= end[1] * (1 + 1e-15))[beside <= end[1]].all():
        raise NotImplementedError("a path that goes on past the second lift")
    end = [np.where(once[1] >= end[1], x, y) for x, y in zip(once, end, strict=True)]
    rows = len(car.m)
    zero = np.zeros(rows)
    _, upright, front, rear = equilibrium(car, phase, zero, zero, zero)
    first = grip_of(car, phase, wheels_of(car, phase, front, rear), zero)
    limits = [np.where(value >= 0, 0.0, end[1]) for value in first]
    open_ = [value < 0 for value in first]
    low = [zero, zero, upright]
    below = list(first)
    for share in SCAN:
        if not (open_[0] | open_[1]).any():
            break
        roll = end[0] * share
        grow = roll / low[0] if low[0].any() else 1.0
        guess = np.minimum(low[1] * grow if low[0].any() else end[1] * share, end[1])
        ay, handed, front, rear = equilibrium(car, phase, roll, guess, low[2])
        values = grip_of(car, phase, wheels_of(car, phase, front, rear), ay)
        for k, which in enumerate(("front grip", "rear grip")):
            hit = np.flatnonzero(open_[k] & (values[k] >= 0))
            if len(hit):
                one = [x[hit] for x in (*low, below[k])]
                other = [x[hit] for x in (roll, ay, handed, values[k])]
                limits[k][hit] = crossing(which, take(car, hit), take(phase, hit), one, other)[1]
                open_[k][hit] = False
            below[k] = values[k]
        low = [roll, ay, handed]
    over = phase.lateral >= end[1]
    start = [zero, zero, upright, -phase.lateral]
    reach = [*end, np.maximum(end[1] - phase.lateral, 1e-9)]
    state = crossing("required", car, phase, start, reach)
    state = [np.where(over, e, s) for e, s in zip(end, state, strict=True)]
    ay, handed, front, rear = equilibrium(car, phase, *state)
    seen = [np.where(lift[0] <= end[0], np.minimum(lift[1], end[1]), end[1]) for lift in lifts]
    return Bag(grip=limits, lifts=seen, front_first=front_first, rollover=end[1], over=over,
               roll=state[0], ay=ay, front=front, rear=rear)  # fmt: skip


def bumps_of(car: Bag, x: Bag, speed) -> Bag:
    """RMS load, acceleration and travel of an end."""
    s = 2 * np.pi**2 * 0.01 * car.v["roughness"] * speed
    heave = 0.5 * x.sprung
    sums = [0.0, 0.0, 0.0]
    for k, m in ((x.kw, heave), (x.kw + x.kb, heave * 4 * car.v["roll_inertia"] / car.total / x.t**2)):
        mu, kt, c, both = x.unsprung, x.kt, x.c, m + x.unsprung
        sums[0] += s / (2 * c) * (k * k * both**3 / m**2 - 2 * k * kt * mu * both / m + kt * kt * mu
                                  + kt * c * c * both**2 / m**2)  # fmt: skip
        sums[1] += 0.5 * s * (kt * c / m**2 + k * k * both / (c * m**2))
        sums[2] += s * both / (2 * c)
    return Bag(load=np.sqrt(0.5 * sums[0]), acceleration=np.sqrt(0.5 * sums[1]), travel=np.sqrt(0.5 * sums[2]))


def steered(lean, caster, kingpin, steer, side):
    k = np.stack([-np.tan(caster), -side * np.tan(kingpin), np.ones_like(caster)])
    k = k / np.sqrt((k * k).sum(axis=0))
    ey, ez = np.cos(lean), -np.sin(lean)
    along = k[1] * ey + k[2] * ez
    return -np.arcsin(ez * np.cos(steer) + k[0] * ey * np.sin(steer) + k[2] * along * (1 - np.cos(steer)))


def response_of(car: Bag, phase: Bag, found: Bag, wheels: Bag, out: np.ndarray) -> None:
    """Lag, bite and damping of the linear car, matrices stacked over setups."""
    v, u, rows = car.v, phase.speed, len(car.m)
    h, iz = car.total * car.arm, v["yaw_inertia"]
    k = found.front.stiff + found.rear.stiff - car.total * G * car.arm
    c, thrust, stiff = 0.0, {}, {}
    for end, x, s in (("front", car.front, found.front), ("rear", car.rear, found.rear)):
        c = c + np.where(s.on_stop, 1.0, 0.5) * x.c * (x.t * s.suspension) ** 2
        loads = [np.maximum(load, 0.0) for load, _ in getattr(wheels, end)]
        scale = sum((load / v["reference_load"]) ** v["cornering_exponent"] for load in loads)
        stiff[end] = v["cornering_stiffness"] * scale
        lean = -((1 - 0.5 * x.gain * x.t) * s.suspension + 1 - s.suspension)
        thrust[end] = v["camber_stiffness"] * scale * lean
    inertia = v["roll_inertia"] + car.total * car.arm**2
    a, b = car.length * (1 - car.share), car.length * car.share
    cf, cr = stiff["front"], stiff["rear"]
    static = np.zeros((rows, 3, 3))
    static[:, 0, 0], static[:, 0, 1] = (cf + cr) / u, car.m * u + (a * cf - b * cr) / u
    static[:, 0, 2] = -(thrust["front"] + thrust["rear"])
    static[:, 1, 0], static[:, 1, 1] = (a * cf - b * cr) / u, (a * a * cf + b * b * cr) / u
    static[:, 1, 2] = -(a * thrust["front"] - b * thrust["rear"])
    static[:, 2, 1], static[:, 2, 2] = -h * u, k
    mass = np.zeros((rows, 4, 4))
    mass[:, 0, 0], mass[:, 0, 3], mass[:, 1, 1] = car.m, -h, iz
    mass[:, 2, 2], mass[:, 3, 3], mass[:, 3, 0] = 1.0, inertia, -h
    drive = np.zeros((rows, 4, 4))
    drive[:, 0, :3], drive[:, 1, :3], drive[:, 3, :3] = -static[:, 0], -static[:, 1], -static[:, 2]
    drive[:, 3, 3], drive[:, 2, 3] = -c, 1.0
    system = np.linalg.solve(mass, drive)
    force = np.stack([cf, a * cf, np.zeros(rows)], axis=1)
    level = np.linalg.solve(static, force[..., None])[..., 0]
    drag = np.stack([-car.m * level[:, 0], -iz * level[:, 1], h * level[:, 0] - c * level[:, 2]], axis=1)
    behind = np.linalg.solve(static, drag[..., None])[..., 0]
    unstable = (np.linalg.eigvals(system).real.max(axis=1) >= 0) | (level[:, 2] <= 0)
    gap = np.concatenate([-level, np.zeros((rows, 1))], axis=1)
    later = (expm(system * 0.020) @ gap[..., None])[..., 0]
    out[:, CAR_COLUMN["lag_ms"]] = 1000 * np.where(unstable, 1.0, np.minimum(-behind[:, 2] / level[:, 2], 1.0))
    out[:, CAR_COLUMN["bite_pct"]] = 100 * np.where(unstable, 0.0, 1 + later[:, 2] / level[:, 2])
    out[:, CAR_COLUMN["roll_damping_ratio"]] = np.where(k > 0, c / (2 * np.sqrt(np.maximum(k, 1e-30) * inertia)), 0.0)
    out[:, CAR_COLUMN["response_state"]] = unstable


def block(p: np.ndarray, phases: np.ndarray) -> np.ndarray:
    """Every metric of a block of setups. (rows, slots), (phases, columns) -> (rows, metrics)."""
    car = car_of(p)
    v, rows = car.v, len(p)
    out = np.zeros((rows, N_CAR + N_PHASE * len(phases)))
    stiffness, direct = {}, 0.0
    for end, x in (("front", car.front), ("rear", car.rear)):
        give = np.where(x.droop > 0, 2 / (x.kw + x.kb), 1 / (x.kw + 0.5 * x.kb))
        kappa = 2 / (x.kt * (1 - 2 * x.a * G / (x.kt * x.t**2)))
        stiffness[end] = x.t**2 / (give + kappa)
        direct = direct + kappa * x.a / (give + kappa)
    arm = car.total * car.arm
    net = stiffness["front"] + stiffness["rear"] - arm * G
    out[:, CAR_COLUMN["roll_gradient_deg_per_g"]] = np.where(net > 0, np.degrees((arm + direct) / net * G), 90.0)
    share = 100 * stiffness["front"] / (stiffness["front"] + stiffness["rear"])
    out[:, CAR_COLUMN["front_roll_stiffness_share_pct"]] = share
    fastest, weighted, weights = np.zeros(rows), 0.0, 0.0
    worst = {name: np.full(rows, np.inf) for name in
             ("grip_margin_pct", "lift_margin_pct", "rollover_margin_pct", "clearance_mm")}  # fmt: skip
    for number, row in enumerate(phases):
        ask = dict(zip(PHASE_COLUMNS, row, strict=True))
        level = v["grip"] * G
        lateral = ask["speed"] ** 2 / ask["radius"] + 0 * level if ask["speed"] > 0 else ask["grip_share"] * level
        speed = np.sqrt(lateral * ask["radius"])
        pull = car.m * (ask["longitudinal"] + ask["longitudinal_share"] * level)
        moved, down = pull * car.cg / car.length, v["downforce_coefficient"] * speed**2
        driven = np.where(pull > 0, v["front_drive_share"], v["front_brake_share"])
        rough = {end: bumps_of(car, x, speed) for end, x in (("front", car.front), ("rear", car.rear))}
        steer = {side: v["ackermann_share"] * np.arctan(car.length / (ask["radius"] - 0.5 * side * car.front.t))
                 + (1 - v["ackermann_share"]) * car.length / ask["radius"] for side in (1, -1)}  # fmt: skip
        lean = {side: steered(side * car.front.camber, v["caster"], v["kingpin_inclination"], steer[side], side)
                for side in (1, -1)}  # fmt: skip
        phase = Bag(
            lateral=lateral, speed=speed, along=pull / car.m,
            front=car.m * G * car.share - moved + v["front_downforce_share"] * down,
            rear=car.m * G * (1 - car.share) + moved + (1 - v["front_downforce_share"]) * down,
            front_force=pull * driven, rear_force=pull * (1 - driven), front_rms=rough["front"].load,
            rear_rms=rough["rear"].load, inner_lean=lean[1], outer_lean=lean[-1],
        )  # fmt: skip
        for end, x in (("front", car.front), ("rear", car.rear)):
            faster = speed > fastest
            rate = x.kw + 0.5 * x.kb
            step = rate * x.kt / (rate + x.kt) * v["bump_height"]
            for name, value in ((f"{end}_bump_load_n", rough[end].load), (f"{end}_bump_step_n", step),
                                (f"{end}_bump_upset_m_per_s2", rough[end].acceleration)):  # fmt: skip
                column = out[:, CAR_COLUMN[name]]
                out[:, CAR_COLUMN[name]] = np.where(faster, value, column)
        fastest = np.maximum(fastest, speed)
        found = corner(car, phase)
        wheels = wheels_of(car, phase, found.front, found.rear, found.over)
        heights = []
        for end, x, s in (("front", car.front, found.front), ("rear", car.rear, found.rear)):
            heights.append(x.ride + s.rise - 3 * rough[end].travel)
        slope = (heights[0] - heights[1]) / car.length
        edge = v["chassis_half_width"] * np.sin(found.roll)
        ends = heights[0] + slope * v["front_edge_offset"], heights[1] - slope * v["rear_edge_offset"]
        clear = np.minimum(*ends) - edge
        lowest = np.minimum(*found.grip)
        limited = np.where(lowest >= found.rollover, 2.0, np.where(found.grip[0] <= found.grip[1], 0.0, 1.0))
        up = (found.front.excess > 0) | (found.rear.excess > 0)

        def margin(limit, required=lateral):
            return 100 * (limit / required - 1)

        values = {
            "roll_deg": np.degrees(found.roll), "grip_margin_pct": margin(lowest),
            "front_grip_margin_pct": margin(found.grip[0]), "rear_grip_margin_pct": margin(found.grip[1]),
            "balance_pct": 100 * (found.grip[0] - found.grip[1]) / lateral,
            "lift_margin_pct": margin(np.minimum(*found.lifts)), "rollover_margin_pct": margin(found.rollover),
            "clearance_mm": 1000 * clear, "lift_axle": np.where(found.front_first, 0.0, 1.0),
            "limited_by": limited, "state": np.where(found.over, 2.0, up * 1.0),
        }  # fmt: skip
        for end in ("front", "rear"):
            for side, (load, angle) in zip(("inner", "outer"), getattr(wheels, end), strict=True):
                values[f"{end}_{side}_load_n"], values[f"{end}_{side}_inclination_deg"] = load, np.degrees(angle)
        for name, value in values.items():
            out[:, N_CAR + number * N_PHASE + PHASE_COLUMN[name]] = value
        for name in worst:
            worst[name] = np.minimum(worst[name], values[name])
        weighted, weights = weighted + ask["weight"] * values["grip_margin_pct"], weights + ask["weight"]
        if ask["is_turn_in"] > 0.5:
            response_of(car, phase, found, wheels, out)
    for name, value in worst.items():
        out[:, CAR_COLUMN[name]] = value
    out[:, CAR_COLUMN["mean_grip_margin_pct"]] = weighted / weights
    return out


def evaluate(parameters: np.ndarray, phases: np.ndarray, rows: int = BLOCK) -> np.ndarray:
    """Every metric of any number of setups, block by block."""
    return np.concatenate([block(parameters[s : s + rows], phases) for s in range(0, len(parameters), rows)])
