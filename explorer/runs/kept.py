"""What an unfinished run has worked out so far, so that a killed one goes on where it was.

A run is a row of answers, each a pure function of (inputs, stage, number): the chunks of a pass over every setup, or a
whole stage. Each is one file that is never changed once it has its name: a mark, the SHA-256 of the rest, a line with
key, stage, number and length, and the answer itself. A file that does not hold what its name says is set aside and its
answer worked out again.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, cast

from explorer.domain.errors import ArtefactError
from explorer.domain.space import Space
from explorer.runs import disk
from explorer.runs.codec import pack, unpack
from explorer.runs.marks import ANSWER, KEPT_MARK
from explorer.runs.records import ANSWERS, ASIDE
from explorer.study.everything.stream import PartMaker

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class _Numbered:
    """An answer's function that says which chunk it is of; can be sent to another process."""

    work: Callable[[int, int], Any]

    def __call__(self, start: int, stop: int) -> tuple[int, int, Any]:
        return start, stop, self.work(start, stop)


class Kept:
    """Answers kept in a folder for one set of inputs. `space` is the study's; `tell` is given a sentence for every
    file set aside. `reused` counts the answers taken from the folder."""

    def __init__(self, root: Path, key: Mapping[str, str], space: Space, tell: Callable[[str], None]) -> None:
        self._root, self._space, self._tell = root, space, tell
        self._digest = digest_of(key)
        self._there: dict[tuple[str, int], Path] = {}
        self.reused = 0
        for path in _all(root):
            match = ANSWER.fullmatch(path.name)
            if match:
                self._there[match["stage"], int(match["number"])] = path
            elif path.name.startswith(disk.SCRAP):
                disk.remove([path])

    def made(self, stage: str, make: PartMaker) -> PartMaker:
        """A way to make chunks that hands back those kept here and keeps the others as they come. A stage may make
        chunks several times, always in the same order."""
        calls = itertools.count(1)

        def chunked(ranges: Iterable[tuple[int, int]], work: Callable[[int, int], Answer]) -> Iterator[Answer]:
            part = f"{stage}-{next(calls)}"
            numbers: dict[tuple[int, int], int] = {}
            for number, chunk in enumerate(ranges):
                found, answer = self._read(part, number)
                if found:
                    yield answer
                else:
                    numbers[chunk] = number
            for start, stop, answer in make(list(numbers), _Numbered(work)) if numbers else ():
                self._write(part, numbers[start, stop], answer)
                yield answer

        return chunked

    def once(self, stage: str, work: Callable[[], Answer]) -> Answer:
        """The answer of a whole stage: the one kept here, or worked out and kept."""
        found, kept = self._read(stage, 0)
        if found:
            return cast(Answer, kept)
        answer = work()
        self._write(stage, 0, answer)
        return answer

    def _write(self, stage: str, number: int, answer: Any) -> None:
        body = pack(answer, self._space)
        head = json.dumps({"key": self._digest, "stage": stage, "number": number, "bytes": len(body)}).encode() + b"\n"
        digest = hashlib.sha256(head)
        digest.update(body)
        path = self._root / ANSWERS / f"{stage}.{number}.kept"
        disk.write_atomic(path, b"".join([KEPT_MARK, digest.digest(), head, body]))

    def _read(self, stage: str, number: int) -> tuple[bool, Any]:
        path = self._there.pop((stage, number), None)
        if path is None:
            return False, None
        try:
            answer = unpack(_body(path, self._digest, stage, number), self._space)
        except ArtefactError as fault:
            self._aside(path, str(fault))
            return False, None
        self.reused += 1
        return True, answer

    def _aside(self, path: Path, why: str) -> None:
        folder = self._root / ASIDE
        with disk.refusals(path):
            folder.mkdir(parents=True, exist_ok=True)
            place = folder / path.name
            while place.exists():
                place = place.with_name(place.name + "_")
            disk.rename(path, place)
        self._tell(f"{path}: {why}; set aside as {place}, its answer is worked out again")


def digest_of(key: Mapping[str, str]) -> str:
    """One number for all inputs."""
    return hashlib.sha256(json.dumps(dict(key), sort_keys=True).encode()).hexdigest()


def _all(root: Path) -> list[Path]:
    """Everything in the folder of the answers, where there is one and no link to one."""
    return sorted((root / ANSWERS).iterdir()) if disk.folder(root) and disk.folder(root / ANSWERS) else []


def _body(path: Path, key: str | None, stage: str, number: int) -> bytes:
    """The answer's bytes in a file, once everything else in it is as it must be; of any inputs where `key` is None.

    Raises ArtefactError otherwise.
    """
    with disk.reading(path) as stream:
        mark = stream.read(len(KEPT_MARK))
        if mark != KEPT_MARK:
            raise ArtefactError("it is not a kept answer" if mark else "it is empty")
        digest, rest = stream.read(hashlib.sha256().digest_size), stream.read()
    if hashlib.sha256(rest).digest() != digest:
        raise ArtefactError("it is torn or was changed: its checksum does not fit")
    line, _, body = rest.partition(b"\n")
    try:
        head = dict(json.loads(line))
    except (ValueError, TypeError, RecursionError):
        raise ArtefactError("its first line cannot be read") from None
    if head != {"key": head.get("key") if key is None else key, "stage": stage, "number": number, "bytes": len(body)}:
        raise ArtefactError(f"it is answer {head.get('number')!s:.20} of {head.get('stage')!s:.40}, under another name")
    return body


def kept_answers(root: Path) -> tuple[str, ...]:
    """Names of the answers that an unfinished run has kept."""
    return tuple(path.name for path in _all(root) if path.name.endswith(".kept"))


def differing(held: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Inputs that are not the same, in words.

    >>> differing({"numba": "0.60.0", "car.toml": "ab"}, {"numba": "0.61.0", "car.toml": "ab"})
    ('numba was 0.60.0 and is 0.61.0',)
    """
    names = sorted(set(held) | set(now))
    return tuple(
        f"{name[:120]} was {held.get(name, 'absent')[:16]} and is {now.get(name, 'absent')[:16]}"
        for name in names
        if held.get(name) != now.get(name)
    )


def checked_answers(root: Path, key: str | None) -> tuple[tuple[str, ...], dict[str, str]]:
    """(names of the answers that are whole, what is wrong with each other one) of an unfinished run; of any inputs
    where `key` is None."""
    good, damaged = [], {}
    for path in _all(root):
        match = ANSWER.fullmatch(path.name)
        if not match:
            damaged[path.name] = "its name is no answer's"
            continue
        try:
            _body(path, key, match["stage"], int(match["number"]))
            good.append(path.name)
        except ArtefactError as fault:
            damaged[path.name] = str(fault)
    return tuple(good), damaged
