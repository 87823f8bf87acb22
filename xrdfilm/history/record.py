"""A judged run as the history keeps it: what stands in results.json, without lines and texts."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from xrdfilm.decision.quantities import quantities_of
from xrdfilm.history.columns import Columns
from xrdfilm.results import Film, Run, RunResult

LINE_KEY = "line"
"""The recipe key that names the production line a run came from."""


@dataclass(frozen=True, slots=True)
class FilmRecord:
    """One film: its name, place on the reel, verdict, recipe and the digests of its scans.

    ``judged`` lists the limits in force with their outcomes: quantity, limit, outcome.
    """

    film: str
    position_m: float | None
    verdict: str
    grade: str | None
    recipe: Mapping[str, Any]
    files: Mapping[str, str]
    settings: Mapping[str, Any]
    judged: tuple[Mapping[str, Any], ...]

    @property
    def limits(self) -> list[tuple[str, Any]]:
        """The limits in force, without their outcomes."""
        return [(item["quantity"], item["limit"]) for item in self.judged]


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One analysis of a run. ``columns`` has the figures of its N films, by quantity."""

    run_id: str
    day: str | None
    note: str | None
    version: str
    recipe: Mapping[str, Any]
    events: tuple[Mapping[str, Any], ...]
    films: tuple[FilmRecord, ...]
    columns: Mapping[str, Columns] = field(default_factory=dict)

    @property
    def line(self) -> str:
        """The production line; "" where the recipe names none."""
        return str(self.recipe.get(LINE_KEY, ""))

    @property
    def scans(self) -> frozenset[str]:
        """SHA-256 of every scan of the run."""
        return frozenset(digest for film in self.films for digest in film.files.values())

    def scans_digest(self) -> bytes | None:
        """Digest of the set of scans; None where no scan is named."""
        return _digest(sorted(self.scans)) if self.scans else None

    def input_digest(self) -> bytes:
        """Digest of everything that goes into the figures, and of none of the figures."""
        return _digest(
            {
                "day": self.day,
                "note": self.note,
                "version": self.version,
                "recipe": self.recipe,
                "events": self.events,
                "films": [
                    [f.film, f.position_m, f.recipe, f.files, f.settings, f.limits]
                    for f in self.films
                ],
            }
        )

    def same_figures(self, other: RunRecord) -> bool:
        """The figures and verdicts agree, to within rounding."""
        if [f.verdict for f in self.films] != [f.verdict for f in other.films]:
            return False
        return set(self.columns) == set(other.columns) and all(
            self.columns[name].same_as(other.columns[name]) for name in self.columns
        )


def canonical(value: Any) -> str:
    """JSON with sorted keys and no spaces: equal values give equal text."""
    return json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_plain
    )


def _plain(value: Any) -> Any:
    return dict(value) if isinstance(value, Mapping) else str(value)


def _digest(value: Any) -> bytes:
    return hashlib.sha256(canonical(value).encode()).digest()


def record_of(result: RunResult) -> RunRecord:
    """What the history keeps of a results.json."""
    return record_of_films(result.run, result.films)


def record_of_file(path: Path) -> RunRecord:
    """What the history keeps of a results.json of any length, read film by film.

    Such a file has the run on the first lines and then a film on each line, as `judge` writes it.
    """
    with path.open(encoding="utf-8") as lines:
        head = ""
        for line in lines:
            head += line
            if head.rstrip().endswith('"films":['):
                break
        run = RunResult.model_validate_json(f"{head}]}}").run
        texts = (line.strip().removesuffix(",") for line in lines)
        return record_of_films(
            run, (Film.model_validate_json(text) for text in texts if text.startswith("{"))
        )


def record_of_films(run: Run, films: Iterable[Film]) -> RunRecord:
    """What the history keeps of a run whose films come one by one."""
    kept, found = [], []
    for film in films:
        kept.append(_film_record(film))
        found.append(quantities_of(film))
    names = dict.fromkeys(name for film in found for name, e in film.items() if e is not None)
    return RunRecord(
        run_id=run.id,
        day=None if run.date is None else run.date.isoformat(),
        note=run.operator_note,
        version=_one_version([version for _, version in kept]),
        recipe=dict(run.recipe),
        events=tuple(_as_json(event) for event in run.events),
        films=tuple(record for record, _ in kept),
        columns={name: Columns.of([film.get(name) for film in found]) for name in names},
    )


def _film_record(film: Film) -> tuple[FilmRecord, str]:
    """A film's record, and the version of the program that made it."""
    return (
        FilmRecord(
            film=film.film,
            position_m=film.position_m,
            verdict=film.verdict,
            grade=film.grade,
            recipe=dict(film.recipe),
            files=dict(film.provenance.files),
            settings=_as_json(film.provenance.settings),
            judged=tuple(
                {"quantity": r.quantity, "limit": _as_json(r.limit), "outcome": r.outcome}
                for r in film.reasons
            ),
        ),
        film.provenance.version,
    )


def _as_json(value: Any) -> Any:
    """The value as it comes back from JSON (a date becomes text)."""
    return json.loads(canonical(value))


def _one_version(versions: Sequence[str]) -> str:
    return ", ".join(dict.fromkeys(versions))
