"""A run: read its scans, analyse its films, judge them, and gather the record.

    judged = judge_run(planned)          # PlannedRun from xrdfilm.gather
    judged.result, judged.pictures

A scan that cannot be read spoils its own film only: it is listed as "unreadable" with the reason.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from xrdfilm import results
from xrdfilm.crystal import Phase, load_phase, phase_keys
from xrdfilm.errors import CannotTellError, RunFileError, ScanFormatError, XrdfilmError
from xrdfilm.film import FilmAnalyser, FilmAnalysis, FilmInput
from xrdfilm.film_picture import film_picture
from xrdfilm.gather import PlannedRun
from xrdfilm.limits import LimitFile, read_limit_file
from xrdfilm.premises import Premises, check_phases, load_user_phases, optics_of, premises_of
from xrdfilm.readers import read_scan
from xrdfilm.record import film_record
from xrdfilm.references import MeasuredReferences, measure_references
from xrdfilm.report.picture import FilmPicture
from xrdfilm.runfile import AngleScan, FilmTable, TiltScan
from xrdfilm.scan import Axis, Scan
from xrdfilm.side_scans import SideScans
from xrdfilm.standard import Instrument, measure_instrument
from xrdfilm.tilt_model import DefocusCurve

BATCH = 64  # films that go through the fits together


@dataclass(frozen=True, slots=True, eq=False)
class JudgedRun:
    """The record of a run, and for each film with a coupled scan the arrays of its picture."""

    result: results.RunResult
    pictures: Mapping[str, FilmPicture]

    @property
    def exit_status(self) -> int:
        """0 all pass, 1 some film failed, 2 some unreadable and none failed, 3 some undecided."""
        verdicts = {film.verdict for film in self.result.films}
        if "fail" in verdicts:
            return 1
        if "unreadable" in verdicts:
            return 2
        return 3 if "undecided" in verdicts else 0


def judge_run(
    planned: PlannedRun,
    *,
    tick: Callable[[str], None] | None = None,
    with_pictures: bool = True,
) -> JudgedRun:
    """Analyse and judge every film of a run; ``tick`` is called with each film's name when done.

    Raises RunFileError, LimitFileError, PhaseError or StackError for what is wrong with the run
    as a whole; what is wrong with one film goes into that film's record.
    """
    setup = RunSetup.of(planned)
    films: list[results.Film] = []
    pictures: dict[str, FilmPicture] = {}
    analyser = FilmAnalyser()
    for first in range(0, len(planned.films), BATCH):
        batch = planned.films[first : first + BATCH]
        inputs, hashes = [], []
        for table in batch:
            film, files = setup.read_film(table)
            inputs.append(film)
            hashes.append(files)
        analyses = analyser.analyse(inputs, tick)
        for table, analysis, files in zip(batch, analyses, hashes, strict=True):
            films.append(setup.record(table, analysis, files))
            picture = film_picture(analysis) if with_pictures else None
            if picture is not None:
                pictures[analysis.name] = picture
    return JudgedRun(results.RunResult(run=setup.run_record(), films=films), pictures)


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
        setup = cls(planned, phases, limits)
        setup.instrument = setup._measure_instrument()
        setup.premises(None)  # a stack that contradicts itself stops the run, not each film
        setup.references = setup._measure_references()
        return setup

    def premises(self, scan: Scan | None) -> Premises:
        """The premises of a film; scans whose headers say the same share them."""
        key: tuple[object, ...] = ()
        if scan is not None:
            key = (scan.anode, scan.wavelength_A, scan.step_time_s)
        if key not in self._premises:
            self._premises[key] = premises_of(
                self.planned.run_file, scan, self.phases, self.instrument
            )
        return self._premises[key]

    def read_film(self, table: FilmTable) -> tuple[FilmInput, dict[str, str]]:
        """Read a film's scans; what cannot be read is told in the input's ``problems``."""
        hashes: dict[str, str] = {}
        problems: list[str] = list(self.warnings)
        coupled, unreadable = None, None
        if table.coupled:
            coupled = self._read(table.coupled, None, problems, hashes)
            unreadable = problems.pop() if coupled is None else None
        side = SideScans(
            self._side_scans(table.rocking_scans, "omega", problems, hashes),
            self._side_scans(table.azimuth_scans, "phi", problems, hashes),
            *self._tilt_scan(table, problems, hashes),
        )
        film = FilmInput(
            str(table.id),
            self.premises(coupled),
            coupled,
            side,
            self.references,
            tuple(problems),
            unreadable,
        )
        return film, {**hashes, **self.hashes}

    def _side_scans(
        self,
        stated: tuple[AngleScan, ...],
        axis: Axis,
        problems: list[str],
        hashes: dict[str, str],
    ) -> tuple[tuple[AngleScan, Scan], ...]:
        read = ((item, self._read(item.file, axis, problems, hashes)) for item in stated)
        return tuple((item, scan) for item, scan in read if scan is not None)

    def _tilt_scan(
        self, table: FilmTable, problems: list[str], hashes: dict[str, str]
    ) -> tuple[tuple[TiltScan, Scan] | None, DefocusCurve | None]:
        stated = table.tilt
        scan = None if stated is None else self._read(stated.file, "chi", problems, hashes)
        if stated is None or scan is None:
            return None, None
        curve = None
        if stated.defocus is not None:
            measured = self._read(stated.defocus, "chi", problems, hashes)
            if measured is not None:
                level = measured.counts / measured.counts[0]
                curve = DefocusCurve(tuple(measured.axis_deg.tolist()), tuple(level.tolist()))
        return (stated, scan), curve

    def _read(
        self, name: str, axis: Axis | None, problems: list[str], hashes: dict[str, str]
    ) -> Scan | None:
        path = self.planned.path_of(name)
        optics = self.planned.run_file.optics
        try:
            scan = read_scan(path, axis=axis, step_time_s=optics.step_time_s)
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
        scan = self._read(table.standard, None, problems, self.hashes)
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
            scan = self._read(name, None, problems, self.hashes)
            if scan is not None:
                inputs[state] = FilmInput(state, self.premises(scan), scan)
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
