"""What a series writes: a page, its pictures, the points as CSV and everything as JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from xrdfilm import __version__
from xrdfilm.estimate import Estimate
from xrdfilm.kinetics.figure import draw_rate_law, draw_series, save, time_unit
from xrdfilm.kinetics.models import MODELS
from xrdfilm.kinetics.outcome import SeriesOutcome
from xrdfilm.kinetics.ratelaw import WORDS, RateLaw
from xrdfilm.kinetics.series import SIDE_WORDS
from xrdfilm.numbers import fixed, number, show


def show_time(estimate: Estimate, unit: float, name: str) -> str:
    """A time with its interval, in the unit given; one-sided where a side is open."""
    return shown(estimate, 1.0 / unit, name)


def shown(estimate: Estimate | None, scale: float, unit: str) -> str:
    """A figure with its interval; "over 0.5" or "under 0.5" where the other side is open."""
    if estimate is None:
        return "–"
    if estimate.value is None and estimate.low is not None and estimate.high is None:
        return f"over {number(estimate.low * scale, 3)} {unit}"
    if estimate.value is None and estimate.high is not None and not estimate.low:
        return f"under {number(estimate.high * scale, 3)} {unit}"
    return show(estimate, scale=scale, unit=unit)


def outcome_text(outcome: SeriesOutcome) -> str:
    """The outcome in a few sentences."""
    told = outcome.told
    unit, name = time_unit(max(float(s.time_s.max()) for s in outcome.sides.values()))
    if told is None:
        return (
            "The fluoride side and the film side tell different conversions, so no one growth rate "
            "is told; each side's own figures stand below."
        )
    parts = []
    if told.speed_nm_s is not None:
        parts.append(f"growth rate {shown(told.speed_nm_s, 1.0, 'nm/s')}")
    else:
        parts.append(f"conversion rate {shown(told.rate_per_s, unit, 'per ' + name)}")
    parts.append(f"incubation {show_time(told.incubation_s, unit, name)}")
    parts.append(f"99 % converted after {show_time(told.end_s, unit, name)}")
    text = ", ".join(parts)
    return f"{text[:1].upper()}{text[1:]}. {told.text}"


def _rows(outcome: SeriesOutcome) -> list[dict[str, Any]]:
    unit, name = time_unit(max(float(s.time_s.max()) for s in outcome.sides.values()))
    rows = []
    for side, comparison in outcome.comparisons.items():
        for item in comparison.ranked:
            fit = item.fit
            rows.append(
                {
                    "side": SIDE_WORDS[side].split(" (")[0],
                    "label": fit.model.label,
                    "told": comparison.preferred is fit.model,
                    "difference": fixed(item.difference, 1),
                    "weight": fixed(item.weight, 2),
                    "chi": f"{number(fit.deviance, 3)} ({fit.degrees_of_freedom})",
                    "rate": shown(fit.speed_nm_s, 1.0, "nm/s"),
                    "incubation": show_time(fit.incubation_s, unit, name),
                    "end": show_time(fit.end_s, unit, name),
                }
            )
    return rows


def points_csv(outcomes: Sequence[SeriesOutcome]) -> str:
    """All points, one a line."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["series", "side", "film", "time_s", "conversion", "low", "high", "sigma"])
    for outcome in outcomes:
        for side, series in outcome.sides.items():
            for p in series.points:
                low, high = p.interval()
                value = "" if p.censor != "none" else f"{p.conversion:.6g}"
                writer.writerow(
                    [outcome.name, side, p.film, f"{p.time_s:g}", value, f"{low:.6g}",
                     f"{high:.6g}", f"{p.sigma:.6g}"]
                )  # fmt: skip
    return out.getvalue()


def series_json(outcomes: Sequence[SeriesOutcome], law: RateLaw | None) -> str:
    """Everything as JSON."""
    record: dict[str, Any] = {"series": [outcome.record() for outcome in outcomes]}
    if law is not None:
        record["rate_law"] = {
            "exponents": {
                gas: {"value": e.value, "low": e.low, "high": e.high, "level": e.level}
                for gas, e in law.exponents.items()
            },
            "scatter": law.scatter,
            "left_out": dict(law.left_out),
            "text": law.text,
        }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_series(
    outcomes: Sequence[SeriesOutcome],
    folder: Path,
    *,
    law: RateLaw | None = None,
    law_notes: Sequence[str] = (),
) -> Path:
    """Write page, pictures and data files into the folder; returns the page."""
    from xrdfilm.report.html import asset

    folder.mkdir(parents=True, exist_ok=True)
    (folder / "assets").mkdir(exist_ok=True)
    (folder / "assets" / "xrdfilm.css").write_bytes(asset("xrdfilm.css"))
    shown_outcomes = []
    for number_, outcome in enumerate(outcomes, start=1):
        stem = "series" if len(outcomes) == 1 else f"series-{number_}"
        save(draw_series(outcome), folder, stem)
        shown_outcomes.append(
            {
                "name": outcome.name,
                "text": outcome_text(outcome),
                "picture": stem,
                "words": "Conversion against time. " + outcome_text(outcome),
                "agreement": outcome.agreement,
                "rows": _rows(outcome),
                "notes": outcome.notes,
            }
        )
    shown_law = None
    if law is not None:
        pictures = []
        for gas in law.exponents:
            save(draw_rate_law(law, gas), folder, f"rate-{gas}")
            pictures.append((f"rate-{gas}", f"Growth rate against {WORDS.get(gas, gas)}"))
        shown_law = {
            "text": law.text,
            "pictures": pictures,
            "notes": [*law.left_out.values(), *law_notes],
        }
    from xrdfilm.report.environment import page_environment

    page = folder / "series.html"
    title = outcomes[0].name if len(outcomes) == 1 else "Growth series"
    page.write_text(
        page_environment("xrdfilm.kinetics")
        .get_template("series.html.jinja")
        .render(
            title=title or "Growth series",
            outcomes=shown_outcomes,
            law=shown_law,
            version=__version__,
            models=MODELS,
        ),
        encoding="utf-8",
    )
    (folder / "series.csv").write_text(points_csv(outcomes), encoding="utf-8")
    (folder / "series.json").write_text(series_json(outcomes, law), encoding="utf-8")
    return page
