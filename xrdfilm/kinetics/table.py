"""Conversions from a table or a results.json instead of scans.

A table has a header line and columns separated by comma, semicolon, tab or spaces: a time
(``time_s``, ``time_min`` or ``time_h``), ``conversion``, and ``low`` and ``high`` (or ``sigma``);
``film`` and ``side`` ("fluoride" or "film") may follow. An empty conversion with one of low and
high is a limit. Fractions run from 0 to 1.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from pathlib import Path

from xrdfilm.errors import RunFileError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal
from xrdfilm.kinetics.ratelaw import RatePoint
from xrdfilm.kinetics.series import Point, Series, Side, point_of
from xrdfilm.results import Quantity, RunResult

TIME_UNITS: Mapping[str, float] = {"time_s": 1.0, "time_min": 60.0, "time_h": 3600.0}


def read_rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    """The rows of a table with their line numbers; raises RunFileError for what is no table."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        text = path.read_text(encoding="latin-1")
    except OSError as problem:
        raise RunFileError(f"cannot be read ({problem.strerror})", path=path) from None
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(lines) < 2:
        raise RunFileError("holds no table: a header line and rows are needed", path=path)
    head = lines[0][1]
    mark = next((m for m in (";", "\t", ",") if m in head), None)
    decimal_comma = mark == ";"

    def cells(line: str) -> list[str]:
        if mark is None:
            return line.split()
        return [cell.strip() for cell in next(csv.reader([line], delimiter=mark))]

    names = [re.sub(r"[ \-]+", "_", name.strip()) for name in cells(head)]
    rows = []
    for number, line in lines[1:]:
        values = cells(line)
        if len(values) > len(names):
            raise RunFileError(
                f"{len(values)} cells under {len(names)} column names", path=path, line=number
            )
        values += [""] * (len(names) - len(values))
        row = dict(zip(names, values, strict=True))
        if decimal_comma:
            row = {k: re.sub(r"^([-+]?\d+),(\d+)$", r"\1.\2", v) for k, v in row.items()}
        rows.append((number, row))
    return rows


def cell_number(row: Mapping[str, str], name: str, path: Path, line: int) -> float | None:
    """A cell as a number, None where it is empty or missing."""
    text = row.get(name, "").strip()
    if not text or text in ("-", "–", "nan", "NaN"):
        return None
    try:
        return float(text)
    except ValueError:
        raise RunFileError(f"{name}: no number: {text!r}", path=path, line=line) from None


def read_conversions(
    path: Path, *, thickness_nm: float | None = None, thickness_sigma_nm: float = 0.0
) -> dict[Side, Series]:
    """The series of a table, by side; raises RunFileError with file, line and remedy."""
    rows = read_rows(path)
    columns = rows[0][1]
    time = next((name for name in TIME_UNITS if name in columns), None)
    if time is None or not {"conversion", "low", "high"} & set(columns):
        raise RunFileError(
            f"has the columns {', '.join(columns)}; needed are one of {', '.join(TIME_UNITS)}, and "
            "conversion with low and high (or sigma)",
            path=path,
        )
    sides: dict[Side, list[Point]] = {}
    for line, row in rows:
        at = cell_number(row, time, path, line)
        if at is None:
            raise RunFileError(f"{time} is empty", path=path, line=line)
        side = row.get("side", "").strip() or "fluoride"
        if side not in ("fluoride", "film"):
            raise RunFileError(
                f"side: expected fluoride or film, found {side!r}", path=path, line=line
            )
        estimate = _estimate(row, path, line)
        try:
            point = point_of(at * TIME_UNITS[time], estimate, row.get("film", ""))
        except ValueError as problem:
            raise RunFileError(str(problem), path=path, line=line) from None
        sides.setdefault(side, []).append(point)  # type: ignore[arg-type]
    return {
        side: Series.of(
            points,
            side=side,
            thickness_nm=thickness_nm,
            thickness_sigma_nm=thickness_sigma_nm,
            name=path.stem,
        )
        for side, points in sides.items()
    }


def _estimate(row: Mapping[str, str], path: Path, line: int) -> Estimate:
    value, low, high, sigma = (
        cell_number(row, name, path, line) for name in ("conversion", "low", "high", "sigma")
    )
    if value is not None and not -1.0 <= value <= 2.0:
        raise RunFileError(
            f"conversion: a fraction is meant, found {value:g}; for {value:g} % write "
            f"{value / 100:g}",
            path=path,
            line=line,
        )
    if value is not None and sigma is not None:
        if not sigma > 0.0:
            raise RunFileError(f"sigma must be above 0, found {sigma:g}", path=path, line=line)
        return from_normal(value, sigma)
    if value is not None and (low is None or high is None):
        raise RunFileError(
            "a conversion needs low and high, or sigma: a figure without its uncertainty cannot "
            "be weighed against the others",
            path=path,
            line=line,
        )
    return Estimate(value, low, high, DEFAULT_LEVEL)


def series_of_results(
    result: RunResult,
    *,
    time_key: str = "growth_time_min",
    thickness_nm: float | None = None,
    thickness_sigma_nm: float = 0.0,
) -> Series:
    """The series of a judged run: conversions by the fluoride, times from the films' recipes.

    What the films' uncertainties share (structure data, thickness, mosaic) becomes the scale that
    all points share. Raises RunFileError where no film has both a time and a conversion.
    """
    points: list[Point] = []
    shared: list[float] = []
    without: list[str] = []
    for film in result.films:
        at = film.recipe.get(time_key)
        quantity = film.fluoride.conversion if film.fluoride is not None else None
        if not isinstance(at, int | float) or isinstance(at, bool) or quantity is None:
            without.append(film.film)
            continue
        try:
            point, common = _split(float(at) * 60.0, quantity, film.film)
        except ValueError:
            without.append(film.film)
            continue
        points.append(point)
        if common is not None:
            shared.append(common)
    if not points:
        raise RunFileError(
            f"no film has both a conversion and {time_key!r} in its recipe; state time_min in "
            "[[film]] of run.toml"
        )
    notes = (f"left out, without a time or a conversion: {', '.join(without)}",) if without else ()
    return Series.of(
        points,
        side="fluoride",
        thickness_nm=thickness_nm,
        thickness_sigma_nm=thickness_sigma_nm,
        shared_sigma=sorted(shared)[len(shared) // 2] if shared else 0.0,
        name=result.run.id,
        notes=notes,
    )


def _split(time_s: float, quantity: Quantity, film: str) -> tuple[Point, float | None]:
    """A point with its own uncertainty, and the relative doubt of the rest that all share."""
    estimate = Estimate(
        quantity.value, quantity.low, quantity.high, quantity.level,
        quantity.estimate, quantity.sigma, dict(quantity.sources),
    )  # fmt: skip
    if quantity.value is None and (quantity.low or 0.0) > 0.0:
        # a limit from the worst assumption says nothing about the other cases' estimate
        estimate = Estimate(None, quantity.low, quantity.high, quantity.level)
    point = point_of(time_s, estimate, film)
    own = [s for name, s in quantity.sources.items() if name in _OWN]
    left = 1.0 - (quantity.estimate if quantity.estimate is not None else 1.0)
    if point.censor != "none" or not own or left < 0.02:
        return point, None
    counting = sum(s * s for s in own) ** 0.5
    common = sum(s * s for name, s in quantity.sources.items() if name not in _OWN) ** 0.5
    return Point(time_s, point.conversion, max(counting, 1e-4), film=film), common / left


_OWN = ("counting", "counting and background", "background", "fit")


def read_rates(path: Path) -> tuple[RatePoint, ...]:
    """Rates of several series: rate_nm_s, low, high, pressures in mbar and maybe a name."""
    found: list[RatePoint] = []
    for line, row in read_rows(path):
        rate, low, high = (cell_number(row, k, path, line) for k in ("rate_nm_s", "low", "high"))
        if rate is None or low is None or high is None or not 0.0 < low <= rate <= high:
            raise RunFileError(
                "a rate needs rate_nm_s, low and high with 0 < low <= rate_nm_s <= high",
                path=path,
                line=line,
            )
        gas = {
            name: value
            for name in row
            if name.endswith("_mbar") and (value := cell_number(row, name, path, line)) is not None
        }
        found.append(RatePoint(rate, low, high, gas, row.get("name", "")))
    return tuple(found)


def read_times(path: Path) -> dict[str, float]:
    """Quench times in s by film id, from a table with film and a time."""
    rows = read_rows(path)
    time = next((name for name in TIME_UNITS if name in rows[0][1]), None)
    if time is None or "film" not in rows[0][1]:
        raise RunFileError(f"needs the columns film and one of {', '.join(TIME_UNITS)}", path=path)
    found: dict[str, float] = {}
    for line, row in rows:
        at = cell_number(row, time, path, line)
        if at is None:
            raise RunFileError(f"{time} is empty", path=path, line=line)
        found[row["film"]] = at * TIME_UNITS[time]
    return found
