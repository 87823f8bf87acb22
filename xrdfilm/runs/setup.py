"""What the films of a run share, and how their scans are read.

A `RunSetup` is made once from a planned run; it holds no scan, can be pickled, and is all that a
worker needs beside the names of its films.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from xrdfilm import results
from xrdfilm.adjustments import NO_ADJUSTMENTS, Adjustments
from xrdfilm.analysis.film import FilmAnalyser, FilmAnalysis, FilmInput
from xrdfilm.analysis.premises import (
    Premises,
    check_phases,
    load_user_phases,
    optics_of,
    premises_of,
)
from xrdfilm.analysis.prepared import make_room
from xrdfilm.analysis.record import film_record
from xrdfilm.analysis.references import MeasuredReferences, measure_references
from xrdfilm.analysis.side_scans import SideScans
from xrdfilm.crystal import Phase, load_phase, phase_keys
from xrdfilm.decision.limits import LimitFile, read_limit_file
from xrdfilm.errors import CannotTellError, RunFileError, ScanFormatError, XrdfilmError
from xrdfilm.lattice.standard import Instrument, measure_instrument
from xrdfilm.readers import Overrides, read_scan
from xrdfilm.readers.frames import read_frame
from xrdfilm.readers.scan_findings import assumed_of
from xrdfilm.runfile import AngleScan, FilmTable, TiltScan
from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.journal import file_mark
from xrdfilm.scan import Axis, Scan
from xrdfilm.scan_keys import OwnScanTable, SideScanTable
from xrdfilm.texture.tilt_model import DefocusCurve

MOST_PREMISES = 64  # kept at a time


@dataclass(frozen=True, slots=True, eq=False)
class FilmScans:
    """The scans of a film as read, with the SHA-256 of each file.

    ``problems`` are sentences about files that could not be read; ``unreadable`` is that about
    the coupled scan. ``marks`` belong to the film's files one by one: they change with a file.
    """

    coupled: Scan | None
    side: SideScans
    hashes: Mapping[str, str]
    problems: tuple[str, ...] = ()
    unreadable: str | None = None
    marks: tuple[str, ...] = ()


@dataclass(slots=True, eq=False)
class RunSetup:
    """What the films of a run share: phases, limits, instrument, references, and the premises by
    what their scans' headers say."""

    planned: PlannedRun
    phases: dict[str, Phase]
    limits: LimitFile | None
    instrument: Instrument | None = None
    references: MeasuredReferences | None = None
    warnings: tuple[str, ...] = ()
    hashes: dict[str, str] = field(default_factory=dict)
    _premises: dict[tuple[object, ...], Premises] = field(default_factory=dict)

    @classmethod
    def of(cls, planned: PlannedRun) -> RunSetup:
        """Load what a run shares; raises where the run as a whole cannot be judged."""
        run_file = planned.run_file
        phases = load_user_phases(run_file, planned.folder)
        check_phases(run_file, phases)
        limits = None
        if planned.limit_file is not None:
            if not planned.limit_file.is_file():
                raise RunFileError(
                    f"no such file: {planned.limit_file.name}; [limits] names it",
                    path=planned.folder / "run.toml",
                )
            limits = read_limit_file(planned.limit_file, phases=[*phase_keys(), *phases])
        _check_adjusted_films(planned)
        setup = cls(planned, phases, limits)
        setup.instrument = setup._measure_instrument()
        setup.premises(None)  # a stack that contradicts itself stops the run, not each film
        setup.references = setup._measure_references()
        return setup

    def premises(self, scan: Scan | None, adjustments: Adjustments = NO_ADJUSTMENTS) -> Premises:
        """The premises of a film; films with like headers and adjustments share them."""
        key: tuple[object, ...] = (adjustments,)
        run_file = self.planned.run_file
        if scan is not None:
            key = (adjustments, scan.anode, scan.wavelength_A, scan.step_time_s, assumed_of(scan))
            if scan.step_time_s is not None:  # a film's own goes before the run's
                optics = run_file.optics.model_copy(update={"step_time_s": scan.step_time_s})
                run_file = run_file.model_copy(update={"optics": optics})
        if key not in self._premises:
            make_room(self._premises, MOST_PREMISES)
            found = premises_of(run_file, scan, self.phases, self.instrument)
            assumed = found.assumed if scan is None else (*found.assumed, *assumed_of(scan))
            self._premises[key] = replace(found, adjustments=adjustments, assumed=assumed)
        return self._premises[key]

    def read_scans(self, table: FilmTable) -> FilmScans:
        """Read a film's scans; what cannot be read is told in ``problems``."""
        hashes: dict[str, str] = {}
        problems: list[str] = list(self.warnings)
        coupled, unreadable = None, None
        if table.coupled:
            coupled = self._read(table.coupled, table.scan, problems, hashes, frame=table.frame)
            unreadable = problems.pop() if coupled is None else None
        side = SideScans(
            self._side_scans(table.rocking_scans, "omega", problems, hashes),
            self._side_scans(table.azimuth_scans, "phi", problems, hashes),
            *self._tilt_scan(table, problems, hashes),
        )
        marks = tuple(
            hashes.get(name) or file_mark(self.planned.path_of(name)) for name in table.file_names
        )
        return FilmScans(
            coupled, side, {**hashes, **self.hashes}, tuple(problems), unreadable, marks
        )

    def marks_now(self, table: FilmTable) -> tuple[str, ...]:
        """What `FilmScans.marks` would be, without reading the scans."""
        return tuple(file_mark(self.planned.path_of(name)) for name in table.file_names)

    def film_input(self, table: FilmTable, scans: FilmScans) -> FilmInput:
        """A film ready for analysis: its scans with the premises that hold for them."""
        return FilmInput(
            str(table.id),
            self.premises(scans.coupled, self.planned.run_file.adjust.adjustments_of(table.id)),
            scans.coupled,
            scans.side,
            self.references,
            scans.problems,
            scans.unreadable,
        )

    def _side_scans(
        self,
        stated: tuple[AngleScan, ...],
        axis: Axis,
        problems: list[str],
        hashes: dict[str, str],
    ) -> tuple[tuple[AngleScan, Scan], ...]:
        read = ((item, self._read(item.file, item.scan, problems, hashes, axis)) for item in stated)
        return tuple((item, scan) for item, scan in read if scan is not None)

    def _tilt_scan(
        self, table: FilmTable, problems: list[str], hashes: dict[str, str]
    ) -> tuple[tuple[TiltScan, Scan] | None, DefocusCurve | None]:
        stated = table.tilt
        if stated is None:
            return None, None
        scan = self._read(stated.file, stated.scan, problems, hashes, "chi")
        if scan is None:
            return None, None
        curve = None
        if stated.defocus is not None:
            measured = self._read(stated.defocus, SideScanTable(), problems, hashes, "chi")
            if measured is not None:
                level = measured.counts / measured.counts[0]
                curve = DefocusCurve(tuple(measured.axis_deg.tolist()), tuple(level.tolist()))
        return (stated, scan), curve

    def _read(
        self,
        name: str,
        own: OwnScanTable | SideScanTable,
        problems: list[str],
        hashes: dict[str, str],
        axis: Axis | None = None,
        frame: int | None = None,
    ) -> Scan | None:
        path = self.planned.path_of(name)
        stated = self.planned.run_file.reading_of(own)
        if axis is not None:
            stated["axis"] = axis
        try:
            if frame is None:
                scan = read_scan(path, **stated)
            else:
                scan = read_frame(path, frame, overrides=Overrides(**stated))
        except XrdfilmError as problem:
            problems.append(_without_folder(problem, self.planned.folder))
            return None
        if scan.sha256 is not None:
            hashes[name] = scan.sha256
        return scan

    def _measure_instrument(self) -> Instrument | None:
        """The instrument from the standard's scan; a standard that cannot be used is told."""
        table = self.planned.run_file.optics
        if table.standard is None:
            return None
        problems: list[str] = []
        scan = self._read(table.standard, table.standard_scan, problems, self.hashes)
        if scan is not None:
            phase = self.phases.get(table.standard_phase) or load_phase(table.standard_phase)
            try:
                return measure_instrument(scan, phase, optics_of(table, scan, []))
            except XrdfilmError as problem:
                problems.append(f"{table.standard}: {problem}")
        self.warnings += tuple(f"standard not used: {text}" for text in problems)
        return None

    def _measure_references(self) -> MeasuredReferences | None:
        """The reference films; those that cannot be used are told."""
        table = self.planned.run_file.reference
        named = {"unconverted": table.unconverted, "finished": table.finished}
        problems: list[str] = []
        inputs: dict[str, FilmInput] = {}
        for state, name in named.items():
            if name is None:
                continue
            scan = self._read(name, table.scan, problems, self.hashes)
            if scan is not None:
                premises = replace(self.premises(scan), unconverted=state == "unconverted")
                inputs[state] = FilmInput(state, premises, scan)
        found = None
        if inputs:
            analyses = dict(zip(inputs, FilmAnalyser().analyse(list(inputs.values())), strict=True))
            problems += [
                f"{state} reference: {item.unreadable}"
                for state, item in analyses.items()
                if item.unreadable is not None
            ]
            try:
                found = _references_of(analyses)
            except CannotTellError as problem:
                problems.append(str(problem))
        self.warnings += tuple(f"reference films not used: {text}" for text in problems)
        return found

    def record(
        self, table: FilmTable, analysis: FilmAnalysis, files: Mapping[str, str]
    ) -> results.Film:
        """The judged record of a film."""
        recipe = {**self.planned.run_file.recipe, **table.recipe}
        if table.time_min is not None:
            recipe.setdefault("growth_time_min", table.time_min)
        return film_record(
            analysis, self.limits, files=files, position_m=table.position_m, recipe=recipe
        )

    def run_record(self) -> results.Run:
        """What the run file says of the run."""
        run_file = self.planned.run_file
        return results.Run(
            id=self.planned.run_id,
            date=run_file.run.date,
            operator_note=run_file.run.operator_note,
            recipe=dict(run_file.recipe),
            events=[event.model_dump(mode="json") for event in run_file.event],
        )


def _check_adjusted_films(planned: PlannedRun) -> None:
    ids = [str(table.id) for table in planned.films]
    for name in planned.run_file.adjust.film:
        if name not in ids:
            near = difflib.get_close_matches(name, ids, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise RunFileError(
                f"[adjust.film] names {name!r}, which is no film of this run{hint}",
                path=planned.folder / "run.toml",
            )


def _references_of(analyses: Mapping[str, FilmAnalysis]) -> MeasuredReferences | None:
    before, after = analyses.get("unconverted"), analyses.get("finished")
    unconverted = None
    if before is not None and before.coupled is not None and before.fluoride is not None:
        unconverted = (before.coupled, before.fluoride)
    finished = after.coupled if after is not None else None
    if unconverted is None and finished is None:
        return None
    return measure_references(unconverted, finished)


def _without_folder(problem: XrdfilmError, folder: Path) -> str:
    """The error's sentence with the file named relative to the run's folder."""
    if isinstance(problem, ScanFormatError) and problem.path is not None:
        try:
            name = problem.path.resolve().relative_to(folder.resolve())
        except ValueError:
            name = problem.path
        line = f":{problem.line}" if problem.line is not None else ""
        return f"{name}{line}: {problem.message}"
    return str(problem)
