"""Runs of any length: records go to the disk as they come, and memory stays flat.

results.json is the same object as that of a short run; films.csv holds a row a film. A run that
was stopped is taken up again from its journal, which is deleted once the results are written.
"""

from __future__ import annotations

import csv
import json
import os
from collections import Counter
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from xrdfilm.report.tables import defused
from xrdfilm.results import SCHEMA
from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.journal import discard
from xrdfilm.runs.judge import RunStream, exit_status
from xrdfilm.runs.setup import RunSetup
from xrdfilm.runs.workers import Submitter

MOST_SHEETS = 1000  # films for which a report with pages is made

# columns of films.csv -> where they stand in a film's record
_COLUMNS: dict[str, tuple[str, ...]] = {
    "film": ("film",),
    "verdict": ("verdict",),
    "grade": ("grade",),
    "position_m": ("position_m",),
    **{
        f"{name}.{end}": (part, name, end)
        for part, name in (
            ("fluoride", "volume_fraction_aligned"),
            ("fluoride", "volume_fraction_random"),
            ("fluoride", "conversion"),
            ("orientation", "c_axis"),
            ("orientation", "a_axis"),
            ("orientation", "random"),
            ("lattice", "c_A"),
            ("texture", "rocking_fwhm_deg"),
            ("texture", "azimuth_fwhm_deg"),
        )
        for end in ("value", "low", "high")
    },
}


@dataclass(frozen=True, slots=True)
class WrittenRun:
    """Where the results of a long run are, and how its films came out."""

    results: Path
    table: Path
    verdicts: Mapping[str, int]
    resumed: int
    notes: tuple[str, ...] = ()

    @property
    def exit_status(self) -> int:
        """The exit status that the films' verdicts call for."""
        return exit_status({verdict for verdict, n in self.verdicts.items() if n})


def judge_to_files(
    planned: PlannedRun,
    *,
    tick: Callable[[str], None] | None = None,
    executor: Submitter | Executor | None = None,
    workers: int = 1,
    ship_scans: bool = False,
) -> WrittenRun:
    """Judge a run and write results.json and films.csv into its folder, without any page.

    Errors as `xrdfilm.runs.judge.judge_run`. Both files appear whole or not at all.
    """
    setup = RunSetup.of(planned)
    out_dir = planned.out_dir
    out_dir.mkdir(parents=True, exist_ok=True)
    results, table = out_dir / "results.json", out_dir / "films.csv"
    parts = [path.with_name(f".{path.name}.part") for path in (results, table)]
    verdicts: Counter[str] = Counter()
    stream = RunStream(
        setup,
        executor=executor,
        workers=workers,
        journal_dir=out_dir,
        ship_scans=ship_scans,
    )
    with (
        parts[0].open("w", encoding="utf-8") as text,
        parts[1].open("w", encoding="utf-8-sig", newline="") as rows,
    ):
        writer = csv.writer(rows)
        writer.writerow(_COLUMNS)
        run = setup.run_record().model_dump_json()
        text.write(f'{{"schema":{json.dumps(SCHEMA)},"run":{run},"films":[')
        separator = "\n"
        for chunk in stream:
            for record in chunk.records:
                film = json.loads(record)
                text.write(separator + record)
                separator = ",\n"
                verdicts[film["verdict"]] += 1
                writer.writerow([_cell(film, at) for at in _COLUMNS.values()])
                if tick is not None:
                    tick(film["film"])
        text.write("\n]}\n")
    for part, path in zip(parts, (results, table), strict=True):
        os.replace(part, path)
    discard(out_dir)
    return WrittenRun(results, table, dict(verdicts), stream.resumed, stream.notes)


def _cell(film: dict[str, Any], at: tuple[str, ...]) -> object:
    value: Any = film
    for key in at:
        value = None if value is None else value.get(key)
    return defused(value) if isinstance(value, str) else value
