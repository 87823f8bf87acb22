"""What a run's page says: outcomes, films worst first, and their figures as a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from xrdfilm.decision.quantities import DETECTED, QUANTITIES, find_quantity, quantities_of
from xrdfilm.numbers import show
from xrdfilm.report.content import VERDICT_WORDS, FilmContent, film_content, flatten
from xrdfilm.report.names import slugs
from xrdfilm.results import Film, RunResult

WORST_FIRST = ("fail", "unreadable", "undecided", "pass")
_MOST_COLUMNS = 6
_DEFAULT_COLUMNS = (
    "conversion",
    "fluoride_volume_fraction_aligned",
    "fluoride_volume_fraction_random",
    "c_axis_fraction",
    "a_axis_fraction",
    "random_fraction",
    "c_A",
    "rocking_fwhm_deg",
)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the run's table: name of the quantity, heading, unit."""

    name: str
    heading: str
    unit: str


@dataclass(frozen=True, slots=True)
class Cell:
    """A figure in the run's table: text, its interval, and the number to sort by."""

    main: str
    interval: str
    key: float | None


@dataclass(frozen=True, slots=True)
class RunContent:
    """The run's page; ``order`` lists indices into ``films``, worst first."""

    id: str
    date: str
    note: str
    recipe: tuple[tuple[str, str], ...]
    events: tuple[str, ...]
    counts: tuple[tuple[str, str, int], ...]
    films: tuple[FilmContent, ...]
    order: tuple[int, ...]
    columns: tuple[Column, ...]
    cells: tuple[tuple[Cell, ...], ...]
    grades: tuple[tuple[str, int], ...]
    version: str


def run_content(result: RunResult) -> RunContent:
    """Everything that the report of a run says."""
    names = [film.film for film in result.films]
    films = tuple(
        film_content(film, slug) for film, slug in zip(result.films, slugs(names), strict=True)
    )
    verdicts: list[str] = [film.verdict for film in result.films]
    columns = _columns(result.films)
    reached = [film.grade for film in result.films if film.grade]
    return RunContent(
        id=result.run.id,
        date=result.run.date.isoformat() if result.run.date else "",
        note=result.run.operator_note or "",
        recipe=tuple(flatten(result.run.recipe)),
        events=tuple(_event_words(event) for event in result.run.events),
        counts=tuple((v, VERDICT_WORDS[v], verdicts.count(v)) for v in WORST_FIRST[::-1]),
        films=films,
        order=tuple(sorted(range(len(films)), key=lambda i: _badness(result.films[i]))),
        columns=columns,
        cells=tuple(_cells(film, columns) for film in result.films),
        grades=tuple((name, reached.count(name)) for name in dict.fromkeys(sorted(reached))),
        version=next((film.provenance.version for film in result.films), ""),
    )


def _event_words(event: Mapping[str, Any]) -> str:
    """An event as "2031-03-03: new ink lot", and what else is recorded of it."""
    rest = {key: value for key, value in event.items() if key not in ("date", "text")}
    told = str(event.get("text") or "")
    day = str(event["date"]) if event.get("date") else ""
    words = ": ".join(part for part in (day, told) if part)
    return "; ".join(part for part in (words, *(f"{k} {v}" for k, v in flatten(rest))) if part)


def _badness(film: Film) -> tuple[int, float]:
    worst = max((r.probability_breaking or 0.0 for r in film.reasons), default=0.0)
    return WORST_FIRST.index(film.verdict), -worst


def _columns(films: Sequence[Film]) -> tuple[Column, ...]:
    """The limited quantities, in the order of the limits; else the usual ones that were found."""
    limited = dict.fromkeys(
        reason.quantity
        for film in films
        for reason in film.reasons
        if not reason.quantity.endswith(DETECTED)
    )
    measured = {
        name for film in films for name, found in quantities_of(film).items() if found is not None
    }
    wanted = list(limited) + [n for n in _DEFAULT_COLUMNS if n not in limited and n in measured]
    picked = []
    for name in wanted:
        spec = find_quantity(name)
        if spec is not None and spec.kind == "film":
            picked.append(Column(name, spec.label, spec.unit))
    return tuple(picked[: max(len(limited), _MOST_COLUMNS)])


def _cells(film: Film, columns: Sequence[Column]) -> tuple[Cell, ...]:
    found = quantities_of(film)
    cells = []
    for column in columns:
        estimate = found.get(column.name)
        if estimate is None:
            cells.append(Cell("–", "", None))
            continue
        spec = QUANTITIES[column.name]
        text = show(estimate, scale=spec.scale)
        main, _, rest = text.partition(" (")
        if main.startswith("0 to "):
            main = main.partition(":")[0]
        key = estimate.value
        if key is None:
            key = estimate.high if (estimate.low or 0.0) <= 0.0 else estimate.low
        cells.append(Cell(main, rest.removesuffix(")"), key))
    return tuple(cells)
