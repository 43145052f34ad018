"""Words for people: labels, rounded numbers with units, markdown that hostile names cannot break, fixed passages.

Pure text; nothing here computes a result.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

from explorer.domain.felt import most_noticed
from explorer.domain.space import FloatArray, Knob, Limit, Objective, Space
from explorer.domain.units import UNITS, unit_of
from explorer.model.metrics import describe
from explorer.study.everything.limits import ResolvedLimit
from explorer.study.everything.wishes import Nearest, ResolvedWish, WishLine
from explorer.study.questions.maps import MetricMap
from explorer.study.questions.search_results import SearchResult

MODEL_LIMITS: tuple[str, ...] = (
    "The cornering part is quasi-static: the car stands still in each corner phase. Only the response figures "
    "(lag, bite, roll damping) know about time.",
    "Wheels hang on two links in the front view, unless the car file says beams. Beside an independent double-wishbone "
    "car roll is off by 0.7 % and a wheel load by 0.010 N in 95 % of states with all wheels down, on a droop stop by "
    "4.6 % and 0.11 N. On some unusual cars (2 of 125 drawn at random) a lift or rollover is wrong without a mark.",
    "No tyre temperature, wear or dust build-up, and no driver.",
    "Published data on small cars' tyres is of rubber on hard floors. Every tyre constant is an assumption with a "
    "spread.",
    "Trust the order of setups more than any single number.",
)
"""What the model leaves out; printed wherever a user sees results."""

CAUTIONS: tuple[str, ...] = (
    '"Exact" means exact for this model. It does not mean exact for your car.',
    "A model ranks setups. It does not promise them. The stopwatch and the driver decide.",
    "Change one thing at a time, and try each change slowly first.",
    "LiPo batteries: charge them attended, with the right charger, on a surface that does not burn. Never charge or "
    "run a swollen or damaged pack. Unplug the pack before you work on the car.",
    "Moving cars: keep hands, hair and clothing clear of wheels and gears. Nobody is on the track while a car runs.",
    "The rules of the venue and of the organiser come first, also over anything written here.",
    "For 1:10-scale cars only. Not for road vehicles, whose suspension is work for a licensed practice.",
)
"""Printed in every report."""

_UNSAFE = re.compile(r"[^A-Za-z0-9_\-]+")
_MARKDOWN = re.compile(r"([\\`*_\[\]<>|#~])")


def flat(text: object) -> str:
    """A name on one line without invisible letters (they could turn the reading order of a whole line).

    >>> flat("soft" + chr(10) + "bar" + chr(0x202E))
    'soft bar'
    """
    return "".join(letter for letter in " ".join(str(text).split()) if letter.isprintable())


def escape(text: object) -> str:
    """A name made harmless in markdown: one line, and no character that would start a table, link, tag or emphasis.

    >>> escape("soft | bar" + chr(10) + "<b>")
    'soft \\\\| bar \\\\<b\\\\>'
    """
    flat = "".join(letter for letter in " ".join(str(text).split()) if letter.isprintable())
    return _MARKDOWN.sub(r"\\\1", flat)


def file_stem(text: str) -> str:
    """A name that is safe as a file name on every system; "unnamed" when nothing is left.

    >>> file_stem("front bar / hairpin.roll_deg"), file_stem("../..")
    ('front_bar_hairpin_roll_deg', 'unnamed')
    """
    return _UNSAFE.sub("_", text).strip("_-")[:120] or "unnamed"


def spaced(name: str) -> str:
    """Underscores read as spaces."""
    return name.replace("_", " ").strip()


def knob_label(knob: Knob, *, unit: bool = False) -> str:
    """A knob's name for a reader, with its unit where asked: "rear ride height, mm"."""
    name = knob.name
    suffix = unit_of(name)
    if suffix is not None and suffix.label == knob.unit:
        name = name.removesuffix(suffix.suffix)
    return f"{spaced(name)}, {knob.unit}" if unit and knob.unit else spaced(name)


def setting_label(knob: Knob, label: str) -> str:
    """A level with its unit when the label is a bare number: "22 mm", but "none" stays "none"."""
    try:
        float(label)
    except ValueError:
        return label
    return f"{label} {knob.unit}".strip()


def metric_label(column: str, *, unit: bool = False) -> str:
    """A metric for a reader: "hairpin: roll angle", with unit "hairpin: roll angle, deg".

    >>> metric_label("grip_margin_pct", unit=True)
    'grip margin (worst phase), %'
    """
    metric = describe(column)
    name, _, rest = metric.label.partition(", ")
    text = f"{name} ({rest})" if rest else name
    if "." in column:
        text = f"{spaced(column.split('.', 1)[0])}: {text}"
    return f"{text}, {metric.unit}" if unit and metric.unit else text


def decimals(resolution: float) -> int:
    """Decimals that show a resolution: 0.5 -> 1, 0.05 -> 2, 2 -> 0.

    >>> [decimals(r) for r in (0.5, 0.05, 1.0, 2.0, 0.2)]
    [1, 2, 0, 0, 1]
    """
    if not resolution > 0.0 or not math.isfinite(resolution):
        return 2
    return max(0, min(6, math.ceil(-math.log10(resolution) - 1e-9)))


def number(value: float, places: int, *, sign: bool = False) -> str:
    """A rounded number without a negative zero. Whole thousands get separators.

    >>> number(-0.004, 1), number(2.0, 1, sign=True), number(123456.0, 0)
    ('0.0', '+2.0', '123,456')
    """
    rounded = round(value, places) + 0.0
    return f"{rounded:{'+' if sign and rounded != 0 else ''},.{places}f}"


def metric_value(column: str, value: float, *, unit: bool = True, sign: bool = False) -> str:
    """A metric's value for a reader, rounded to what can be felt; codes become words."""
    metric = describe(column)
    if metric.codes:
        index = int(round(value))
        return metric.codes[index] if 0 <= index < len(metric.codes) else str(index)
    text = number(value, decimals(metric.resolution), sign=sign)
    return f"{text} {metric.unit}".strip() if unit else text


def room_text(column: str, room: float) -> str:
    """What is left to a limit: "0.4 deg", or "under 0.1 deg" where that is less than anyone can feel."""
    metric = describe(column)
    if room < metric.resolution:
        return f"under {metric.resolution:g} {metric.unit}".strip()
    return metric_value(column, room)


def tolerance_text(knob: Knob) -> str:
    """A knob's build tolerance in its own unit where the settings are in that unit, else in SI."""
    parts = []
    if knob.tolerance_absolute:
        factor = next((unit.factor for unit in UNITS if unit.label == knob.unit), 1.0)
        own = math.isclose(knob.values[-1] * factor, knob.settings[-1][0], rel_tol=1e-9)
        parts.append(f"± {knob.tolerance_absolute / (factor if own else 1.0):g} {knob.unit if own else '(SI)'}".strip())
    if knob.tolerance_relative:
        parts.append(f"± {100.0 * knob.tolerance_relative:g} %")
    return ", ".join(parts) or "none given"


def figures(value: float, digits: int = 4) -> str:
    """A number to so many digits, never as a power of ten.

    >>> figures(38278.8), figures(0.0202465), figures(0.00001234), figures(30.0)
    ('38,280', '0.02025', '0.00001234', '30')
    """
    text = f"{value:.{digits}g}"
    return text if abs(value) < 1000.0 and "e" not in text else f"{float(text):,.12f}".rstrip("0").rstrip(".")


def guess_text(practised: bool) -> str:
    """At which numbers a setup is shown that nobody asked in scenarios."""
    return "at the best guess of every number" + (" of before practice" if practised else "")


def input_label(key: str, *, unit: bool = False) -> str:
    """An input file's key for a reader.

    >>> input_label("front_camber_gain_deg_per_mm", unit=True)
    'front camber gain, deg/mm'
    """
    known = unit_of(key)
    name = spaced(key.removesuffix("_" + known.suffix) if known else key)
    return f"{name}, {known.label}" if unit and known else name


def count(amount: int, noun: str, plural: str = "") -> str:
    """An amount with its noun.

    >>> count(1, "setup"), count(12000, "setup")
    ('1 setup', '12,000 setups')
    """
    return f"{amount:,} {noun if amount == 1 else plural or noun + 's'}"


def two_laws(first: str, second: str) -> str:
    """Said where figures of two axle laws stand side by side.

    >>> two_laws("beam", "wishbone")[:60]
    'two axle laws: the first is of beams, the second of wishbone'
    """
    return (
        f"two axle laws: the first is of {first}s, the second of {second}s; figures, indices and picks differ by that "
        "before they differ by anything on the car: run both under one law"
    )


def share_text(part: int, whole: int) -> str:
    """A part of a whole in per cent, never "0 %" for a few nor "100 %" for nearly all.

    >>> share_text(1, 10000), share_text(9999, 10000), share_text(1, 4), share_text(0, 5)
    ('under 0.1 %', 'over 99.9 %', '25.0 %', '0 %')
    """
    if whole <= 0 or part == 0:
        return "0 %"
    if part == whole:
        return "100 %"
    share = 100.0 * part / whole
    if share < 0.1:
        return "under 0.1 %"
    return "over 99.9 %" if share > 99.9 else f"{share:.1f} %"


def listed(words: Iterable[str], last: str = "and") -> str:
    """Words as a list in a sentence.

    >>> listed(["a"]), listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def better(objective: Objective) -> str:
    """ "lower" or "higher"."""
    return "lower" if objective.direction < 0 else "higher"


def resolved_text(limit: ResolvedLimit) -> str:
    """A limit in words, with its bound as a number: "hairpin: roll angle at most 4.25 deg"."""
    metric = describe(limit.metric)
    bound = number(limit.bound, decimals(metric.resolution) + 1)
    bound = bound.rstrip("0").rstrip(".") if "." in bound else bound
    return f"{metric_label(limit.metric)} {spaced(limit.sense)} {bound} {metric.unit}".strip()


def limits_text(limits: Sequence[ResolvedLimit], texts: Iterable[str]) -> str:
    """Limits that a result names by their `text`, in words."""
    known = {limit.text: resolved_text(limit) for limit in limits}
    return "; ".join(known.get(text, text) for text in texts)


def origin_text(limit: Limit) -> str:
    """Where a relative bound comes from: "1.0 deg above the baseline's"; empty for an absolute one."""
    if not limit.relative_to:
        return ""
    owner = "the baseline's" if limit.relative_to == "baseline" else f"that of the liked setup {limit.relative_to}"
    if limit.value == 0.0:
        return owner
    side = "above" if limit.value > 0 else "below"
    metric = describe(limit.metric)
    amount = number(abs(limit.value), max(decimals(metric.resolution), _places(limit.value)))
    return f"{amount} {metric.unit}".strip() + f" {side} {owner}"


def wished_label(wish: ResolvedWish, space: Space) -> str:
    """What a wish is about."""
    return metric_label(wish.metric) if wish.metric else knob_label(space.knobs[space.knob_index(wish.knob)])


def wished_value(wish: ResolvedWish, value: float) -> str:
    """A value of what a wish is about, one decimal finer than what is felt."""
    return f"{number(value, decimals(wish.felt) + 1)} {wish.unit}".strip()


def wish_text(wish: ResolvedWish, space: Space) -> str:
    """A wish in words: "hairpin: roll angle at least 0.8 of that of carpet (1.94 deg)"."""
    head = f"{wished_label(wish, space)} {spaced(wish.sense)}"
    target = wished_value(wish, wish.target)
    if wish.share is not None:
        return f"{head} {wish.share:g} of that of {wish.of} ({target})"
    return f"{head} {target}" + (f" (from {wish.of})" if wish.of else "")


def short_text(line: WishLine) -> str:
    """How far a setup is from a wish: "met", or "0.45 deg short"."""
    if line.missed == 0.0:
        return "met"
    side = {"at_least": "short", "at_most": "over", "near": "over" if line.value > line.wish.target else "under"}
    return f"{wished_value(line.wish, line.missed * line.wish.felt)} {side[line.wish.sense]}"


def wish_line(line: WishLine, space: Space) -> str:
    """A wish with what one setup makes of it."""
    told = short_text(line)
    if line.missed > 0.0:
        met = "met as far as is felt" if line.missed < 1.0 else "not met"
        told = f"{met}, {told} at {wished_value(line.wish, line.value)}{_of_it(line)}"
    return f"{wish_text(line.wish, space)}: {told}"


def _of_it(line: WishLine) -> str:
    return f", {line.share:.2f} of it" if line.share is not None and line.wish.share is not None else ""


def nearest_text(found: Nearest, space: Space) -> str:
    """A wish that cannot be had, with what comes nearest."""
    line = found.line
    there = changes_text(space, found.changes)
    where = "the baseline" if there == "nothing" else f"the baseline with {there}"
    return (
        f"{wish_text(line.wish, space)} cannot be had here within the limits: the nearest is {where}, "
        f"with {wished_value(line.wish, line.value)}{_of_it(line)}"
    )


def found_text(search: SearchResult | None, stays: FloatArray | None = None) -> str:
    """Where a front comes from, in sentences; `stays` (members,) is the share of ways to round in which each member
    stays, None where that was not asked."""
    if search is None:
        text = "Every setup was asked; values that feel the same count as equal, by rounding"
        if stays is None or not len(stays):
            return f"{text}."
        return f"{text}: {int((stays >= 1.0).sum())} of {len(stays)} stay on it wherever the rounding starts."
    return f"A search found it, so it is not exact: better setups may exist. {local_text(search)}"


def local_text(search: SearchResult) -> str:
    """How far a search came with changes of one and two knobs, in a sentence."""
    local = search.local
    if not local.budget:
        return "Single and double changes were not tried."
    steps = " (of 1, 2, 4, ... places on a knob with many)" if local.jumping else ""
    spent = f"the budget of {local.budget:,} setups was spent"
    if local.standing_tried < local.standing:
        return (
            f"They may be near: {spent} when every single and double change{steps} had been tried on "
            f"{local.standing_tried:,} of the {local.standing:,} setups that stand for its points."
        )
    if not len(search.front):
        return f"No single or double change{steps} brings the setups that miss by least nearer to the limits."
    text = f"No single or double change{steps} of a setup that stands for one of its points improves it"
    if local.ties_tried < local.ties:
        tried = f"on {local.ties_tried:,} of the {count(local.ties, 'setup')} that tie with them"
        return f"{text}; all changes had been tried {tried} too when {spent}."
    return f"{text}, nor one of a setup that ties with them." if local.ties else f"{text}."


def dropped_text(dropped: Sequence[str], objectives: Sequence[Objective]) -> str:
    """Why objectives took no part; "" where all did."""
    if not dropped:
        return ""
    names = listed(_felt_in(one) for one in objectives if one.metric in dropped)
    verb = "takes" if len(dropped) == 1 else "take"
    return f"Over all setups within the limits nobody could feel a difference in {names}, which {verb} no part"


def _felt_in(objective: Objective) -> str:
    """An objective with the difference that is felt: "lift margin (felt from 2 % on) counted up to 25 %"."""
    unit = describe(objective.metric).unit
    return f"{metric_label(objective.metric)} (felt from {objective.resolution:g} {unit} on)" + cap_text(
        objective.metric
    )


def cap_text(column: str) -> str:
    """Up to where a metric counts: " counted up to 25 %"; "" where all of it does."""
    most = most_noticed(column)
    return f" counted up to {most:g} {describe(column).unit}" if math.isfinite(most) else ""


def _places(value: float) -> int:
    """Decimals that somebody wrote: 2 for 0.25."""
    return len(f"{value:.6f}".rstrip("0").partition(".")[2])


def objective_label(objective: Objective) -> str:
    """An objective with its unit and which way is better: "response lag, ms (lower is better)"."""
    return f"{metric_label(objective.metric, unit=True)} ({better(objective)} is better)"


def key_metrics(space: Space, most: int = 12) -> tuple[str, ...]:
    """Metrics a reader looks at first: objectives, limits, then what the driver feels; codes are left out."""
    names = [objective.metric for objective in space.objectives] + [limit.metric for limit in space.limits]
    names += [wish.metric for wish in space.wishes if wish.metric]
    names += ["lag_ms", "bite_pct", "grip_margin_pct", "lift_margin_pct", "clearance_mm"]
    for stem in ("balance_pct", "roll_deg"):
        names += [f"{phase}.{stem}" for phase in space.phase_names]
    names += ["front_bump_upset_m_per_s2", "rear_bump_upset_m_per_s2"]
    return tuple(name for name in dict.fromkeys(names) if not describe(name).codes)[:most]


def map_stems(maps: Sequence[MetricMap]) -> tuple[str, ...]:
    """File stems of maps, one each, no two alike."""
    stems: list[str] = []
    for one in maps:
        best = "_best" if one.others == "best" else ""
        stem = file_stem(f"map_{one.x}_{one.y}_{one.metric}{best}")
        stems.append(stem if stem not in stems else f"{stem}_{len(stems) + 1}")
    return tuple(stems)


def clock(starts: str, minutes: float) -> str:
    """Time of day so many minutes after another; "" where nobody said when.

    >>> clock("9:50", 75.0), clock("23:30", 45.0), clock("", 15.0)
    ('11:05', '00:15', '')
    """
    if not starts:
        return ""
    hour, minute = map(int, starts.split(":"))
    then = 60 * hour + minute + round(minutes)
    return f"{then // 60 % 24:02d}:{then % 60:02d}"


def with_error(value: float, error: float, places: int) -> str:
    """A number with its standard error, both in no more than so many places and no finer than the error's first digit.

    >>> with_error(338.2, 11.6, 1), with_error(2.93, 0.04, 1)
    ('338 ± 12', '2.9 ± 0.1')
    """
    if error > 0.0:
        places = max(0, min(places, -math.floor(math.log10(error))))
    return f"{number(value, places)} ± {number(max(error, 10.0**-places), places)}"


def with_spread(value: float, half: float) -> str:
    """A number with its half width, no finer than two digits of the width.

    >>> with_spread(0.602871, 0.404809), with_spread(46.0, 5.0)
    ('0.6 ± 0.4', '46 ± 5')
    """
    places = 1 - math.floor(math.log10(half)) if half > 0.0 else 15
    return f"{round(value, places) + 0.0:.3g} ± {half:.2g}"


def percent(share: float) -> str:
    """A share as a person reads it; nothing that happens reads as never, and nothing that may fail as always."""
    return "under 1 %" if 0.0 < share < 0.01 else "over 99 %" if 0.99 < share < 1.0 else f"{100 * share:.0f} %"


def changes_text(space: Space, changes: Sequence[tuple[str, str, str]]) -> str:
    """What to change from the baseline, in words."""
    parts = []
    for name, old, new in changes:
        knob = space.knobs[space.knob_index(name)]
        parts.append(f"{knob_label(knob)} {setting_label(knob, old)} to {setting_label(knob, new)}")
    return "; ".join(parts) or "nothing"


def table(headers: Sequence[str], rows: Iterable[Sequence[object]], right: Iterable[int] = ()) -> str:
    """A markdown table; every cell is escaped here and nowhere else. `right` lists right-aligned columns."""
    aligned = set(right)
    rule = ["---:" if place in aligned else "---" for place in range(len(headers))]
    lines = [_line([escape(cell) for cell in headers]), _line(rule)]
    for row in rows:
        if len(row) != len(headers):
            raise ValueError(f"a row of {len(row)} cells under {len(headers)} headers")
        lines.append(_line([escape(cell) for cell in row]))
    return "\n".join(lines)


def _line(cells: Sequence[str]) -> str:
    return "| " + " | ".join(cells) + " |"
