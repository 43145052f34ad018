"""A driver's words as entries of a practice file: which phase, which kind of report, against which setup.

Kinds know their own words (`explorer.study.plan.kinds`). What is left over must be small talk: anything else is refused
with the nearest word that is known, so that no half-understood report is written down.
"""

from __future__ import annotations

import json
import os
import re
from typing import Any

from explorer.domain.errors import SpaceError
from explorer.domain.space import Space
from explorer.inputs.source import Source, near
from explorer.study.pits.symptoms import roles_of
from explorer.study.plan.kinds import KINDS, Lateral, Speed
from explorer.study.plan.reports import Said, Unfit

SMALL_TALK = frozenset(
    "a an and as at bit but by car felt for from had has here i in into is it its just little lot of off on out over "
    "quite read reads really round slightly so still than that the there through to too under very was we went when "
    "with".split()
)
"""Words that change nothing."""

_EACH_WAY = re.compile(r"(.*?)\b((?:left|right)\b.*?)\b((?:left|right)\b.*)")


def vocabulary(space: Space) -> tuple[str, ...]:
    """Words that `entries_from` understands in this study."""
    kinds = [word for kind in KINDS for word in kind.vocabulary]
    return tuple(dict.fromkeys([*space.phase_names, *kinds, *(one.key for one in space.unknowns)]))


def completions(study: str) -> tuple[str, ...]:
    """Words to complete a report with: the study's phases and the words of every kind; reads no more than it must."""
    source = Source(study, [])
    source.read()
    name = source.raw.get("surface")
    phases: list[str] = []
    if isinstance(name, str):
        surface = Source(os.path.join(os.path.dirname(study), name), [], os.path.dirname(study) or ".")
        surface.read()
        entries = surface.raw.get("phases")
        phases = [str(one.get("name")) for one in entries if isinstance(one, dict)] if isinstance(entries, list) else []
    return tuple(dict.fromkeys([*phases, *(word for kind in KINDS for word in " ".join(kind.vocabulary).split())]))


def entries_from(
    text: str, space: Space, own: dict[str, str], before: dict[str, str] | None = None
) -> list[dict[str, Any]]:
    """Entries of a practice file from a driver's words about the setup `own` (every knob); `before` is the setup of the
    report before. One entry; a circle driven both ways makes two.

    Raises SpaceError with what was not understood.
    """
    plain = re.sub(r"(?<=\d),(?=\d)", ".", " ".join(text.casefold().split()))
    plain = re.sub(r"[,;:!?()\"]|\.(?!\d)", " ", plain.replace("\N{MINUS SIGN}", "-"))
    both = _EACH_WAY.match(plain)
    parts = [both[1] + both[2], both[1] + both[3]] if both and both[2][:4] != both[3][:4] else [plain]
    return [_entry(part, space, own, before) for part in parts]


def _entry(text: str, space: Space, own: dict[str, str], before: dict[str, str] | None) -> dict[str, Any]:
    said = Said(text)
    error = said.take(
        r"(?:\+ ?/? ?-|\+-|\u00b1|\berror( of)?) ?(\d+(?:\.\d+)?(?:e-?\d+)?) ?(km/h|kph|m/s2|m/s|deg|mm|s|%)?(?!\w)"
    )
    changed = {}
    while knob := said.take(r"\b(\w+) ?= ?(\S+)"):
        changed[knob[1]] = knob[2]
    try:
        kind, keys = next(((kind, keys) for kind in KINDS if (keys := kind.heard(said, space)) is not None), (None, {}))
    except Unfit as fault:
        raise SpaceError(f"{text.strip()!r}: {fault.found}; say {fault.allowed}") from None
    phase = _phase(said, space)
    left = [word for word in said.text.split() if word not in SMALL_TALK]
    compared = kind is not None and kind.compares
    other = _other(left, changed, own, before, space.named({})) if compared else None
    if left or kind is None:
        odd = left[0] if left else text.strip()
        raise SpaceError(f"{odd!r} was not understood in {text.strip()!r}; {near(odd, vocabulary(space))}")
    if changed and not compared:
        raise SpaceError(f"{text.strip()!r}: write the setup that was driven as --set KNOB=LEVEL")
    if kind in (Speed, Lateral) and not phase:
        phase = roles_of(space).sweep
    if kind.phased and not phase:
        raise SpaceError(f"{text.strip()!r}: say in which phase: {', '.join(space.phase_names)}")
    entry: dict[str, Any] = {"setup": own} | ({"phase": phase} if phase and kind.phased is not False else {}) | keys
    if "worse_than" in entry:
        del entry["worse_than"]
        entry |= {"setup": other, "better_than": own}
    entry |= {key: other for key, value in keys.items() if value is None and key in entry}
    if error is not None:
        by_unit = [key for key in kind.errors if key.removeprefix("error") in "".join(entry)]
        entry[(by_unit or list(kind.errors))[-1]] = float(error[2])
    return entry


def _phase(said: Said, space: Space) -> str:
    """The phase that is named, by its own name or by what it asks; "" where none is."""
    roles = roles_of(space)
    for name in sorted(space.phase_names, key=len, reverse=True):
        if said.take(rf"\b{re.escape(name)}s?\b"):
            return name
    for name, pattern in (
        (roles.power, r"(corner )?exits?|power|throttle|gas|accelerating"),
        (roles.entry, r"(corner )?entry|brak(es?|ing)|turn[ -]?in"),
        (roles.hairpin, r"(tight|slow) (corner|turn)s?|hairpins?"),
        (roles.sweep, r"(fast|long|high[ -]speed) (corner|turn)s?|sweep(er)?s?"),
    ):
        if name and said.take(rf"\b({pattern})\b"):
            return name
    return ""


def _other(
    left: list[str],
    changed: dict[str, str],
    own: dict[str, str],
    before: dict[str, str] | None,
    baseline: dict[str, str],
) -> dict[str, str]:
    """The setup that was compared with: KNOB=LEVEL from the one driven, "baseline" or "before"; its words are taken
    out of `left`."""
    for word in ("baseline", "before", "last"):
        if word in left:
            left.remove(word)
            if word == "baseline":
                return baseline | changed
            if before is None:
                raise SpaceError(f"{word!r}: there is no report before this one; name the setup as KNOB=LEVEL")
            return before | changed
    if not changed:
        raise SpaceError("than which setup? write KNOB=LEVEL, what was different then, or before, or baseline")
    return own | changed


def entry_text(entry: dict[str, Any], at: str) -> str:
    """An entry as it stands in a practice file, written at the time `at`."""
    lines = ["[[seen]]", f"at = {at}", *(f"{key} = {_value(value)}" for key, value in entry.items())]
    return "\n".join(lines) + "\n"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(item)}" for key, item in value.items()) + " }" if value else "{}"
    return json.dumps(value, ensure_ascii=False)
