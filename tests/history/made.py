"""Invented judged runs for the tests of the history."""

from __future__ import annotations

import datetime
import hashlib
from typing import Any

import numpy as np

from xrdfilm.estimate import from_normal
from xrdfilm.results import (
    Film,
    Lattice,
    Orientation,
    Provenance,
    Quantity,
    Reason,
    Run,
    RunResult,
)

FIRST_DAY = datetime.date(2031, 3, 1)


def made_film(name: str, a_axis: float, c_A: float, **more: Any) -> Film:
    """A film with an a-axis share and a c; ``scan`` names its scan's content."""
    sources = {"counting": 0.006, "model": 0.008}
    share = from_normal(a_axis, 0.01, bounds=(0.0, 1.0), sources=sources)
    scan = more.pop("scan", name)
    settings = more.pop("settings", {"level": 0.95})
    digest = hashlib.sha256(str(scan).encode()).hexdigest()
    values: dict[str, Any] = {
        "film": name,
        "verdict": "pass" if a_axis < 0.05 else "fail",
        "reasons": [
            Reason(
                quantity="a_axis_fraction",
                limit={"max": 0.05, "risk": 0.05},
                value=share.value,
                low=share.low,
                high=share.high,
                outcome="pass" if a_axis < 0.05 else "fail",
                text="",
            )
        ],
        "fluoride": None,
        "orientation": Orientation(
            route="coupled",
            c_axis=None,
            a_axis=Quantity.of(share),
            random=None,
            lines_used=[],
            lines_left_out=[],
        ),
        "lattice": Lattice(
            c_A=Quantity.of(from_normal(c_A, 0.002)),
            displacement_um=None,
            zero_deg=None,
            oxygen=None,
        ),
        "texture": None,
        "phases": [],
        "lines": [],
        "warnings": [],
        "provenance": Provenance(files={f"{name}.xy": digest}, version="0.1", settings=settings),
    }
    return Film(**(values | more))


def made_run(number: int, films: int = 3, **more: Any) -> RunResult:
    """Run R-<number>, a day later than the one before; the figures hang on the number alone."""
    rng = np.random.default_rng(number)
    settings = more.pop("settings", {"level": 0.95})
    made = [
        made_film(
            f"R-{number:04d}-{i:02d}",
            float(rng.normal(0.03, 0.01)),
            float(rng.normal(11.68, 0.003)),
            position_m=1.5 * i,
            settings=settings,
            recipe={"growth_time_min": 30.0 + i},
        )
        for i in range(films)
    ]
    run: dict[str, Any] = {
        "id": f"R-{number:04d}",
        "date": FIRST_DAY + datetime.timedelta(days=number),
        "recipe": {"growth_temperature_C": 780.0, "line": "north"},
    }
    return RunResult(run=Run(**(run | more)), films=made)
