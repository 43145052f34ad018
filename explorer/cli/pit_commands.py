"""Commands for the pit table: what was seen, and what to change next."""

from __future__ import annotations

from typing import Annotated

import typer

from explorer.cli.options import Json, Sets, Study, complete_symptom, ended, load
from explorer.cli.terminal import DONE, choices, print_json, say
from explorer.domain.errors import SpaceError


def register(app: typer.Typer) -> None:
    """Add the commands of this file to the program, in their order."""
    app.command("next")(next_command)
    app.command()(seen)


def _words(ctx: typer.Context, incomplete: str) -> list[str]:
    """Phases of the study and words of every kind of report, for the shell."""
    from explorer.inputs.said import completions

    return [word for word in completions(str(ctx.params.get("study", ""))) if word.startswith(incomplete.casefold())]


def next_command(
    study: Study,
    symptom: Annotated[
        list[str] | None,
        typer.Option(
            "--symptom",
            help="What the driver says; may be given many times; leave it out for the list.",
            autocompletion=complete_symptom,
        ),
    ] = None,
    sets: Sets = None,
    minutes: Annotated[
        float | None, typer.Option("--minutes", min=0.0, help="Time left: what takes longer is left out.")
    ] = None,
    nominal: Annotated[bool, typer.Option("--nominal", help="At the best guess, not over what is unknown.")] = False,
    as_json: Json = False,
) -> None:
    """What to change next against one symptom or several, from the baseline or the setup you set."""

    def work() -> int:
        from explorer.study.pits.symptoms import SYMPTOMS

        if not symptom:
            if as_json:
                print_json(dict(SYMPTOMS))
                return DONE
            for key, text in SYMPTOMS:
                print(f"{key:20s} {text}")
            return DONE
        from explorer.flow.next_change import next_change
        from explorer.report.answers import ladder_answer

        space, setup = (loaded := load(study)).space, choices(sets)
        found = ladder_answer(next_change(loaded, tuple(symptom), setup, minutes, nominal), space, space.named(setup))
        print_json(found.facts) if as_json else say(found.text)
        return DONE

    ended(work)


def seen(
    study: Study,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="WORDS...",
            help='What was seen, as a driver says it: "hairpin pushed", "front camber gain 0.12 +- 0.02".',
            autocompletion=_words,
        ),
    ] = None,
    sets: Sets = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take the last report out again.")] = False,
    as_json: Json = False,
) -> None:
    """Note one thing seen on the track, with the baseline or the setup you set, in the study's practice file."""

    def work() -> int:
        from explorer.flow import seen as noting

        if undo == bool(words):
            raise SpaceError('say what was seen, like "hairpin pushed", or --undo')
        loaded = load(study)
        found = noting.undo(loaded) if undo else noting.add(loaded, " ".join(words or ()), choices(sets))
        print_json(found.facts) if as_json else say(noting.text(found, loaded))
        return DONE

    ended(work)
