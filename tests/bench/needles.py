"""Needles in meat, air, water and on metal, by the conduction of heat: what a thermocouple shows, and what is true.

Around the needle heat flows in rings (axial symmetry, finite volumes in the radius, implicit Euler steps of `STEP_S`).
The sheath is one body; the junction lags behind it, and the amplifier behind the junction. What the needle is in has,
at each moment, an undisturbed temperature, a conductance to the sheath, and a rate at which fresh matter comes to the
needle: at once in a fluid, at speed over `FRESH_MM` where the needle slides through meat, never where it rests.
The stem leads heat from where it enters, by the formula of a long fin.

Sources, and what has none, stand in recorder/thermal/NEEDLE.md. Everything is drawn from a seed.
"""

import hashlib
import math
import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from recorder.thermal.response import lag_s

STEP_S = 0.1
BEFORE_S, AFTER_S = 14.0, 75.0
"""Before the needle goes in, and since."""
RINGS, FIRST_MM, GROWTH = 26, 0.09, 1.18
FRESH_MM, REACH_MM = 3.0, 1.0
"""Where the needle slides, the meat beside it is replaced over so much of the way; farther out over less and less."""
DIAMETERS_MM = (1.0, 1.6, 3.2)
STEM_W_PER_MK = 9.0
"""Sheath and filling, along the needle."""
FLUID = 1000.0
"""Per second: as good as at once."""

Floats = NDArray[np.float64]
_STEPS = round((BEFORE_S + AFTER_S) / STEP_S)
_TIMES = -BEFORE_S + STEP_S * np.arange(1, _STEPS + 1)


@dataclass(frozen=True, slots=True)
class Insertion:
    """One needle, from air to air."""

    kind: str
    diameter_mm: float
    kept: bool
    """Whether it belongs to the half that is kept for the report: nobody looks at it while tuning."""
    samples: list[tuple[int, float]]
    """Milliseconds since it went in, °C."""
    truth_c: Floats
    """The undisturbed temperature where the junction is, each `STEP_S`."""
    in_s: float
    out_s: float
    """Since when and until when it is where its truth is asked."""
    lag_s: float | None = None
    """The needle's own lag, as ice shows it; None where that was not asked for."""

    def error_c(self, at_ms: int, temp_c: float) -> float:
        """How far a value is from what the junction's place had within the last six seconds; 0 inside the range."""
        end = round((at_ms / 1000 + BEFORE_S) / STEP_S)
        begin = max(round((self.in_s + BEFORE_S) / STEP_S), end - round(6 / STEP_S))
        window = self.truth_c[begin : max(end, begin + 1)]
        return float(max(temp_c - window.max(), 0) + min(temp_c - window.min(), 0))

    def coldest_c(self, until_ms: int) -> float:
        """The coldest place in which it was for eight seconds or more by then."""
        begin, end = (round((at_s + BEFORE_S) / STEP_S) for at_s in (self.in_s, until_ms / 1000))
        dwell = round(8 / STEP_S)
        course = self.truth_c[begin:end]
        if len(course) <= dwell:
            return float(course.max())
        return float(np.lib.stride_tricks.sliding_window_view(course, dwell).max(axis=1).min())


@dataclass(slots=True)
class Course:
    """What one needle is drawn from; the arrays have a value each `STEP_S`."""

    kind: str
    diameter_mm: float
    dice: random.Random
    start_c: float = 30.0
    meat_w_per_mk: float = 0.5
    meat_m2_per_s: float = 1.3e-7
    needle_j_per_m3k: float = 3.6e6
    junction_s: float = 0.3
    amplifier_s: float = 0.1
    drift_c_per_s: float = 0.0
    """How the whole piece warms or cools while the needle is in."""
    stem: float = 0.0
    stem_c: float = 50.0
    in_s: float = 0.0
    out_s: float = AFTER_S
    around_c: Floats = field(default_factory=lambda: np.full(_STEPS, 30.0))
    truth_c: Floats | None = None
    watts_per_m2k: Floats = field(default_factory=lambda: np.full(_STEPS, 20.0))
    fresh_per_s: Floats = field(default_factory=lambda: np.full(_STEPS, FLUID))

    def lay(
        self, begin_s: float, end_s: float, around_c: Floats | float, conductance: Floats | float, fresh: float | Floats
    ) -> None:
        """From when until when it is in what."""
        part = slice(*(min(max(round((at_s + BEFORE_S) / STEP_S), 0), _STEPS) for at_s in (begin_s, end_s)))
        for array, value in ((self.around_c, around_c), (self.watts_per_m2k, conductance), (self.fresh_per_s, fresh)):
            array[part] = value[part] if isinstance(value, np.ndarray) else value


def uniform_log(dice: random.Random, low: float, high: float) -> float:
    return math.exp(dice.uniform(math.log(low), math.log(high)))


def _wander(dice: random.Random, size: float, lag_s: float) -> Floats:
    """A temperature that wanders about zero (Ornstein and Uhlenbeck)."""
    noise = np.random.default_rng(dice.getrandbits(32)).standard_normal(_STEPS)
    keep = math.exp(-STEP_S / lag_s)
    found, now = np.empty(_STEPS), size * noise[0]
    for at, each in enumerate(noise):
        now = keep * now + math.sqrt(1 - keep * keep) * size * each
        found[at] = now
    return found


def _needle(kind: str, diameter_mm: float, dice: random.Random) -> Course:
    """A needle in the air of a kitchen, with its own lags."""
    course = Course(kind, diameter_mm, dice)
    course.start_c = dice.uniform(20, 45)
    course.needle_j_per_m3k = dice.uniform(3.2e6, 4.0e6)
    low, high = {1.0: (0.1, 0.3), 1.6: (0.2, 0.6), 3.2: (0.5, 1.5)}[diameter_mm]
    course.junction_s, course.amplifier_s = dice.uniform(low, high), dice.uniform(0.03, 0.3)
    course.lay(-BEFORE_S, AFTER_S, course.start_c, dice.uniform(10, 40), FLUID)
    return course


def _contact(dice: random.Random) -> float:
    return uniform_log(dice, 700, 5000)


def _meat(
    course: Course,
    path_mm: Callable[[Floats], Floats] | None = None,
    crust: bool = False,
    depth_mm: float | None = None,
    contact: float | None = None,
    hotter_c: float | None = None,
) -> float:
    """It goes into meat at 0; returns how hot the deepest place is. `path_mm`: the distance from there, by time."""
    dice = course.dice
    centre_c = dice.uniform(60, 92)
    depth = depth_mm or dice.uniform(20, 40)
    course.meat_w_per_mk, course.meat_m2_per_s = dice.uniform(0.45, 0.55), dice.uniform(1.2e-7, 1.4e-7)
    resistance = math.log((course.diameter_mm / 2 + 6) / (course.diameter_mm / 2)) / (2 * math.pi * 0.5)
    area = math.pi * (course.diameter_mm / 2000) ** 2
    fin = math.sqrt(1 / resistance / (STEM_W_PER_MK * area))
    course.stem = math.exp(-fin * depth / 1000)
    surface_c = dice.uniform(95, 112) if crust else min(centre_c + dice.uniform(0, 15), 96)
    course.stem_c = dice.uniform(40, surface_c)
    inner_c = centre_c + (dice.uniform(0, 10) if hotter_c is None else hotter_c)
    thick_mm = dice.uniform(1.5, 4)
    speed = uniform_log(dice, 6, 40) if crust else uniform_log(dice, 15, 80)
    way = (
        depth - np.clip(_TIMES * speed, 0, depth)
        if path_mm is None
        else np.clip(path_mm(_TIMES.astype(np.float64)), 0, depth)
    )
    flesh_c = centre_c + (inner_c - centre_c) * (way / depth) ** 2
    hot = np.exp(-np.maximum(depth - way, 0) / thick_mm)
    course.drift_c_per_s = dice.choice((0.0, 0.0, dice.uniform(-0.01, 0.02)))
    around = flesh_c + (surface_c - flesh_c) * hot + course.drift_c_per_s * np.maximum(_TIMES, 0)
    speeds = np.abs(np.gradient(way, STEP_S))
    course.lay(0, AFTER_S, around, contact or _contact(dice), 0.0)
    course.lay(0, AFTER_S, around, course.watts_per_m2k, speeds / FRESH_MM)
    entered = round(BEFORE_S / STEP_S)
    course.fresh_per_s[entered : entered + 2] = FLUID
    return centre_c


def _water(course: Course) -> None:
    course.lay(0, AFTER_S, course.dice.uniform(60, 92), uniform_log(course.dice, 1500, 6000), FLUID)


def _in_series(course: Course) -> None:
    """A junction that sits loose in a sheath."""
    course.junction_s, course.amplifier_s = course.dice.uniform(0.6, 2.5), course.dice.uniform(0.3, 1.2)
    course.lay(0, AFTER_S, course.dice.uniform(60, 92), uniform_log(course.dice, 600, 6000), FLUID)


def _cold(course: Course) -> None:
    course.start_c = course.dice.uniform(2, 35)
    course.lay(-BEFORE_S, 0, course.start_c, 20.0, FLUID)
    _meat(course)


def _warm(course: Course) -> None:
    """Straight from another piece, by a wipe."""
    course.start_c = course.dice.uniform(45, 75)
    course.lay(-BEFORE_S, 0, course.start_c, 20.0, FLUID)
    _meat(course)


def _crust(course: Course) -> None:
    _meat(course, crust=True)


def _slow_crust(course: Course) -> None:
    """The same, so slowly that the needle takes on the crust's heat."""
    speed = uniform_log(course.dice, 1.5, 6)
    depth = course.dice.uniform(15, 30)
    _meat(course, lambda at: depth - np.clip(at * speed, 0, depth), crust=True, depth_mm=depth)


def _push(course: Course) -> None:
    """Slowly down a gradient, from where it is hotter by 5 to 20 °C."""
    dice = course.dice
    far, seconds = dice.uniform(8, 20), dice.uniform(2, 14)
    _meat(course, lambda at: far * np.clip(1 - at / seconds, 0, 1), depth_mm=far, hotter_c=dice.uniform(5, 20))
    course.stem *= 0.05


def _further(course: Course) -> None:
    """It rests for some seconds, then goes deeper."""
    dice = course.dice
    far, rest_s, move_s = dice.uniform(5, 15), dice.uniform(4, 25), dice.uniform(0.3, 3)
    hotter = dice.uniform(1, 15)
    _meat(course, lambda at: far * np.clip(1 - (at - rest_s) / move_s, 0, 1), depth_mm=far, hotter_c=hotter)
    course.stem *= 0.05


def _hotter_piece(course: Course) -> None:
    """It comes from a hotter piece, with a moment in air."""
    dice, centre_c = course.dice, _meat(course)
    before_c = centre_c + dice.uniform(4, 30)
    course.start_c = min(before_c, 97)
    course.lay(-BEFORE_S, 0, course.start_c, 1500.0, FLUID)
    course.lay(-dice.uniform(0.3, 4), 0, 30.0, 25.0, FLUID)


def _basket(course: Course) -> None:
    """It lay on the basket or in the oil at 120 to 178 °C, then a moment in air."""
    dice = course.dice
    _meat(course)
    course.start_c = dice.uniform(120, 178)
    course.lay(-BEFORE_S, 0, course.start_c, 400.0, FLUID)
    course.lay(-dice.uniform(0.3, 6), 0, 40.0, 25.0, FLUID)


def _pulled(course: Course) -> None:
    dice = course.dice
    far, begin_s, speed = dice.uniform(12, 25), dice.uniform(3, 20), uniform_log(dice, 0.3, 3)
    _meat(course, lambda at: far * np.clip((at - begin_s) * speed / far, 0, 1), crust=True, depth_mm=far)
    course.out_s = begin_s + far / speed
    course.stem *= 0.05
    course.lay(course.out_s, AFTER_S, 35.0, 25.0, FLUID)


def _bone(course: Course) -> None:
    """Beside bone: it touches less and conducts less."""
    _meat(course, contact=uniform_log(course.dice, 250, 900))
    course.meat_w_per_mk, course.meat_m2_per_s = course.dice.uniform(0.3, 0.45), course.dice.uniform(1.3e-7, 1.9e-7)


def _fat(course: Course) -> None:
    _meat(course)
    course.meat_w_per_mk, course.meat_m2_per_s = course.dice.uniform(0.17, 0.25), course.dice.uniform(0.8e-7, 1.0e-7)


def _shallow(course: Course) -> None:
    """Five to twelve millimetres deep: the stem leads heat."""
    _meat(course, depth_mm=course.dice.uniform(5, 12))


def _twisted(course: Course) -> None:
    """The hand turns it and moves it to and fro by a millimetre or two."""
    dice = course.dice
    far, pace = dice.uniform(0.5, 2), dice.uniform(0.5, 2.5)
    _meat(course, lambda at: far * (0.5 - 0.5 * np.cos(at * pace)), depth_mm=20, hotter_c=dice.uniform(0, 10))
    course.watts_per_m2k[_TIMES > 0] *= np.exp(_wander(dice, 0.5, 2))[_TIMES > 0]
    course.stem *= 0.05


def _pocket(course: Course) -> None:
    """Steam around the tip at first; then meat and its juice close in."""
    dice, centre_c = course.dice, _meat(course)
    seconds = dice.uniform(1, 20)
    course.truth_c = course.around_c.copy()
    steam = np.minimum(100, 99.6 + _wander(dice, 0.5, 1.5))
    course.lay(dice.uniform(0.2, 3), seconds, steam, uniform_log(dice, 300, 4000), FLUID)
    course.lay(seconds, AFTER_S, centre_c, course.watts_per_m2k[0] * 50, dice.uniform(0.05, 0.5))
    course.truth_c[seconds <= _TIMES] = centre_c


def _air(course: Course) -> None:
    dice, still = course.dice, course.dice.random() < 0.3
    around = dice.uniform(20, 100) + _wander(
        dice, dice.uniform(0, 0.2) if still else dice.uniform(0.3, 4), dice.uniform(0.5, 6)
    )
    course.lay(0, AFTER_S, around, uniform_log(dice, 10, 120), FLUID)


def _hot_air(course: Course) -> None:
    """A cabinet, an oven, the plume over the oil."""
    dice, still = course.dice, course.dice.random() < 0.3
    around = dice.uniform(65, 100) + _wander(
        dice, dice.uniform(0, 0.2) if still else dice.uniform(0.3, 4), dice.uniform(0.5, 6)
    )
    course.lay(0, AFTER_S, around, uniform_log(dice, 10, 120), FLUID)


def _air_after_piece(course: Course) -> None:
    """Out of a piece into hot air."""
    dice = course.dice
    _hot_air(course)
    course.start_c = dice.uniform(60, 95)
    course.lay(-BEFORE_S, 0, course.start_c, 1500.0, FLUID)


def _steam(course: Course) -> None:
    dice = course.dice
    level_c = dice.choice((99.5, dice.uniform(80, 99)))
    around = np.minimum(100, level_c + _wander(dice, dice.uniform(0.1, 3), dice.uniform(0.5, 4)))
    course.lay(0, AFTER_S, around, uniform_log(dice, 150, 4000), FLUID)


def _oil(course: Course) -> None:
    around = course.dice.uniform(140, 182) + _wander(course.dice, course.dice.uniform(0.2, 2), 2)
    course.lay(0, AFTER_S, around, uniform_log(course.dice, 200, 800), FLUID)


def _on_basket(course: Course) -> None:
    """Beside a metal that cools in air; it touches little."""
    dice = course.dice
    around = 35 + (dice.uniform(60, 178) - 35) * np.exp(-np.maximum(_TIMES, 0) / dice.uniform(40, 200))
    course.lay(0, AFTER_S, around, uniform_log(dice, 40, 400), FLUID)


def _hand(course: Course) -> None:
    course.start_c = course.dice.uniform(5, 28)
    course.lay(-BEFORE_S, 0, course.start_c, 20.0, FLUID)
    course.meat_w_per_mk = 0.37
    course.lay(0, AFTER_S, course.dice.uniform(30, 36), uniform_log(course.dice, 60, 500), 0.05)


def _ice(course: Course) -> None:
    course.lay(0, AFTER_S, course.dice.uniform(-0.1, 0.2), uniform_log(course.dice, 800, 4000), FLUID)


FOOD: dict[str, Callable[[Course], object]] = {
    "stirred water": _water,
    "lags in series": _in_series,
    "meat, cold needle": _cold,
    "meat, warm needle": _warm,
    "through a hot crust": _crust,
    "slowly through a hot crust": _slow_crust,
    "pushed down a gradient": _push,
    "pushed further": _further,
    "from a hotter piece": _hotter_piece,
    "from basket or oil": _basket,
    "pulled slowly": _pulled,
    "beside bone": _bone,
    "in fat": _fat,
    "5 to 12 mm deep": _shallow,
    "twisted": _twisted,
    "steam pocket first": _pocket,
}
OTHER: dict[str, Callable[[Course], object]] = {
    "air, 20 to 100 °C": _air,
    "hot air, 65 to 100 °C": _hot_air,
    "hot air after a piece": _air_after_piece,
    "steam": _steam,
    "oil": _oil,
    "on the basket": _on_basket,
    "hand": _hand,
    "ice bath": _ice,
}


def solved(courses: Sequence[Course]) -> Floats:
    """What the amplifiers show: steps by courses."""

    def each(name: str) -> Floats:
        return np.array([getattr(course, name) for course in courses])

    radius = each("diameter_mm") / 2000
    faces = radius + FIRST_MM / 1000 * (np.power(GROWTH, np.arange(RINGS + 1))[:, None] - 1) / (GROWTH - 1)
    middles = (faces[1:] + faces[:-1]) / 2
    conducts, spreads = each("meat_w_per_mk"), each("meat_m2_per_s")
    heats = conducts / spreads * math.pi * (faces[1:] ** 2 - faces[:-1] ** 2) / STEP_S
    links = 2 * math.pi * conducts / np.log(middles[1:] / middles[:-1])
    inner = np.log(middles[0] / radius) / (2 * math.pi * conducts)
    needle_heat = each("needle_j_per_m3k") * math.pi * radius**2 / STEP_S
    around, fresh = (np.stack([getattr(course, name) for course in courses], 1) for name in ("around_c", "fresh_per_s"))
    touch = np.stack([course.watts_per_m2k for course in courses], 1)
    sheath, drifts = each("start_c").copy(), each("drift_c_per_s") * STEP_S
    near = np.exp((middles - radius) * 1000 / REACH_MM)
    rings = np.repeat(around[:1], RINGS, 0)
    stem, stem_c = each("stem"), each("stem_c")
    junction, shown, out = sheath.copy(), sheath.copy(), np.empty((_STEPS, len(courses)))
    by_junction, by_amplifier = (1 - np.exp(-STEP_S / each(name)) for name in ("junction_s", "amplifier_s"))
    heat = np.empty((RINGS + 1, len(courses)))
    rights, factors = np.empty_like(heat), np.empty_like(heat)
    for at in range(_STEPS):
        # A fluid has no skin of its own beyond its conductance.
        contact = 1 / (1 / (2 * math.pi * radius * touch[at]) + np.where(fresh[at] >= FLUID, 0, inner))
        replaced = heats * (fresh[at] * STEP_S * near)
        rings += drifts * (_TIMES[at] > 0)
        # Thomas's algorithm; row 0 is the sheath.
        diagonal = needle_heat + contact
        rights[0] = needle_heat * sheath / diagonal
        factors[0] = contact / diagonal
        for ring in range(RINGS):
            before = contact if ring == 0 else links[ring - 1]
            after = links[ring] if ring < RINGS - 1 else 0.0
            pivot = heats[ring] + replaced[ring] + before + after - before * factors[ring]
            rights[ring + 1] = (heats[ring] * rings[ring] + replaced[ring] * around[at] + before * rights[ring]) / pivot
            factors[ring + 1] = after / pivot
        heat[RINGS] = rights[RINGS]
        for row in range(RINGS - 1, -1, -1):
            heat[row] = rights[row] + factors[row] * heat[row + 1]
        sheath, rings = heat[0].copy(), heat[1:].copy()
        inside = np.where(fresh[at] >= FLUID, 0.0, stem)
        junction = junction + by_junction * (sheath + inside * (stem_c - sheath) - junction)
        shown = shown + by_amplifier * (junction - shown)
        out[at] = shown
    return out


def _sampled(course: Course, shown: Floats) -> list[tuple[int, float]]:
    dice = course.dice
    period_s, noise_c = 1 / uniform_log(dice, 2, 10), uniform_log(dice, 0.05, 0.5)
    dropped, step_c, jitter = dice.choice((0.0, 0.05, 0.2)), dice.choice((0.01, 0.1, 0.25)), dice.choice((0.0, 0.1))
    samples, at_s = [], -BEFORE_S + STEP_S + dice.random() * period_s
    while at_s < AFTER_S:
        value = float(np.interp(at_s, _TIMES, shown)) + dice.gauss(0, noise_c)
        if dice.random() >= dropped:
            samples.append((round(at_s * 1000), round(round(value / step_c) * step_c, 3)))
        at_s += period_s * (1 + dice.gauss(0, jitter) if jitter else 1)
    return sorted(samples)


def _bath(course: Course) -> Course:
    """The same needle into ice."""
    bath = replace(course, dice=random.Random(f"{course.dice.random()}"), start_c=25.0, stem=0.0, drift_c_per_s=0.0)
    bath.around_c, bath.watts_per_m2k, bath.fresh_per_s = (
        np.full(_STEPS, 25.0),
        np.full(_STEPS, 20.0),
        bath.fresh_per_s * 0,
    )
    bath.lay(-BEFORE_S, 0, 25.0, 20.0, FLUID)
    _ice(bath)
    return bath


def _lags_s(courses: Sequence[Course]) -> list[float | None]:
    baths = [_bath(course) for course in courses]
    shown = solved(baths)
    ways = [_sampled(bath, shown[:, number]) for number, bath in enumerate(baths)]
    return [lag_s([sample for sample in way if sample[0] > -2000], 0.0) for way in ways]


def insertions(
    kinds: Sequence[str], count: int, seed: int, kept: bool | None, each: int = 300, lags: bool = False
) -> Iterator[Insertion]:
    """`count` of each kind and diameter; of the half `kept` for the report, of the other one, or (None) of both.

    `lags`: each needle was in ice before, so its lag is known as well as that shows it.
    """
    makers = FOOD | OTHER
    courses, halves = [], []
    for kind in kinds:
        for diameter_mm in DIAMETERS_MM:
            found, number = 0, 0
            while found < count:
                name = f"{kind} {diameter_mm} {seed} {number}"
                number += 1
                course = _needle(kind, diameter_mm, random.Random(name))
                makers[kind](course)
                half = _half(course)
                if kept is None or half == kept:
                    found += 1
                    courses.append(course)
                    halves.append(half)
    for begin in range(0, len(courses), each):
        part = courses[begin : begin + each]
        shown = solved(part)
        known = _lags_s(part) if lags else [None] * len(part)
        for number, course in enumerate(part):
            truth = course.around_c if course.truth_c is None else course.truth_c
            samples = _sampled(course, shown[:, number])
            half = halves[begin + number]
            yield Insertion(
                course.kind, course.diameter_mm, half, samples, truth, course.in_s, course.out_s, known[number]
            )


def _half(course: Course) -> bool:
    """By a hash of its cell in the space of what it was drawn from: the halves share no cell."""
    lag_s = course.junction_s + course.amplifier_s
    ends = (course.start_c / 6, course.around_c[-1] / 6, course.needle_j_per_m3k / 2e5, math.log2(lag_s) * 1.5)
    cell = (course.kind, course.diameter_mm, *(math.floor(float(each)) for each in ends))
    return bool(hashlib.sha256(repr(cell).encode()).digest()[0] & 1)
