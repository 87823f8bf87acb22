"""run.toml: what the user states of a run, as checked models.

`read_run_file` reads one; `RunFile.films_in` lists the films, from `[[film]]` or from `[films]`.
Values override one another in this order: the film's own, the run's, the scan's header, the
default. Nothing is computed here.

Over 400 lines: one file format is one concept, and its tables stand in the order of the file.
"""

from __future__ import annotations

import datetime
import re
from collections import Counter
from pathlib import Path
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from xrdfilm.adjustments import Adjustments
from xrdfilm.errors import RunFileError
from xrdfilm.lines import Reflection
from xrdfilm.scan_keys import OwnScanTable, ScanTable, SideScanTable, Table
from xrdfilm.tomlfile import line_of, parse_model, read_toml_text

RecipeValue = float | str | bool
_NOT_IN_STACKS = "which and columns are not for the frames of a stack; frame chooses one"


class RunTable(Table):
    """[run]: which run this is."""

    id: str | None = Field(default=None, description="name of the run; default: the folder's name")
    date: datetime.date | None = Field(default=None, description="day of the furnace run")
    operator_note: str | None = Field(default=None, description="a remark to carry along")
    history: bool = Field(
        default=True, description="false keeps a trial out of the history unless --history is given"
    )


class OpticsTable(Table):
    """[optics]: how the diffractometer was set."""

    anode: Literal["Cu", "Co", "Cr", "Fe", "Mo", "Ag"] | None = Field(
        default=None, description="anode of the tube; default: the scan's header, else Cu"
    )
    wavelength_A: float | None = Field(
        default=None, gt=0.05, lt=5, description="a wavelength of your own (one line), in Å"
    )
    k_alpha1_only: bool = Field(
        default=False, description="true where the optics pass K-alpha1 alone"
    )
    monochromator_2theta_deg: float | None = Field(
        default=None, ge=0, lt=120, description="2θ of the monochromator crystal, if there is one"
    )
    goniometer_radius_mm: float = Field(default=240.0, gt=20, lt=2000, description="radius")
    divergence_deg: float | None = Field(
        default=None, gt=0, le=5, description="opening of a fixed divergence slit"
    )
    illuminated_mm: float | None = Field(
        default=None, gt=0, le=100, description="illuminated length of a variable slit"
    )
    slit: Literal["fixed", "variable"] = Field(default="fixed", description="divergence slit")
    axial_acceptance_deg: float | None = Field(
        default=None, gt=0, le=20, description="full width of each axial aperture"
    )
    axial: Literal["apertures", "one_stack", "two_stacks"] | None = Field(
        default=None, description="what limits the beam across the scattering plane"
    )
    line_shift: Literal["auto", "zero", "displacement", "both"] = Field(
        default="auto",
        description="what moves lines: auto = zero, displacement and axial divergence; zero alone "
        "suits parallel beams, whose lines stay put when the sample does not",
    )
    step_time_s: float | None = Field(default=None, gt=0, description="counting time a step")
    instrument_fwhm_deg: float | None = Field(
        default=None, gt=0, lt=2, description="line width of the instrument near 40° 2θ"
    )
    standard: str | None = Field(
        default=None, description="scan of a line-width standard, for the instrument's curve"
    )
    standard_phase: str = Field(default="LaB6", description="what the standard is made of")
    standard_scan: OwnScanTable = Field(
        default=OwnScanTable(), description="how the standard's scan is to be read"
    )

    @model_validator(mode="after")
    def _one_wavelength(self) -> OpticsTable:
        if self.wavelength_A is not None and self.anode is not None:
            raise ValueError("give either anode or wavelength_A, not both")
        return self


class BufferTable(Table):
    """One buffer layer of [stack]."""

    phase: str = Field(description="phase of the layer, e.g. CeO2")
    thickness_nm: float = Field(gt=0, le=1e5, description="thickness of the layer")


class StackTable(Table):
    """[stack]: the layers, from the top down."""

    film: str = Field(default="YBCO", description="phase of the film")
    thickness_nm: float | None = Field(
        default=None, gt=0, le=1e6, description="thickness of the film when fully converted"
    )
    thickness_uncertainty: float = Field(
        default=0.10, ge=0, le=0.5, description="relative standard uncertainty of the thickness"
    )
    buffers: tuple[BufferTable, ...] = Field(default=(), description="top to bottom")
    substrate: str | None = Field(default=None, description="phase of the substrate")
    sample_length_mm: float = Field(default=10.0, gt=0, le=1000, description="along the beam")
    tape_width_mm: float = Field(default=10.0, gt=0, le=2000, description="for g per 100 m")
    powder: bool = Field(default=False, description="true for a loose powder: no layers, no film")


class AssumptionTable(Table):
    """[assumptions]: what is taken for granted where no scan tells it; each widens intervals."""

    c_axis_mosaic_deg: float | None = Field(
        default=None, gt=0, le=30, description="rocking width of c-axis grains (FWHM)"
    )
    a_axis_mosaic_deg: float | None = Field(
        default=None, gt=0, le=30, description="rocking width of a-axis grains (FWHM)"
    )
    fluoride_mosaic_deg: float | None = Field(
        default=None, gt=0, le=30, description="rocking width of aligned fluoride (FWHM)"
    )
    mosaic_factor: float = Field(
        default=2.0, ge=1.0, le=5, description="an unmeasured mosaic may be off by this factor"
    )
    false_alarm_risk: float = Field(
        default=1e-4,
        gt=0,
        le=0.5,
        description="risk of calling fluoride or a product where there is none (α)",
    )
    miss_risk: float = Field(
        default=0.05,
        gt=0,
        le=0.5,
        description="risk of missing what stands at the detection limit (β)",
    )
    a_normal_share: float = Field(
        default=0.5,
        ge=0,
        le=1,
        description="share of a-axis grains with a, not b, along the normal",
    )


class LimitsTable(Table):
    """[limits]: which limit file applies."""

    file: str = Field(description="the limit file, relative to the run's folder")


class AngleScan(Table):
    """A rocking or an azimuth scan of one reflection."""

    hkl: tuple[int, int, int] = Field(description="the reflection, e.g. [0, 0, 5]")
    file: str = Field(description="the scan")
    phase: str | None = Field(default=None, description="layer it belongs to; default: the film")
    direction: Literal["RD", "TD"] | None = Field(
        default=None, description="tape direction that is tilted: RD (rolling) or TD (transverse)"
    )
    tilt_deg: float | None = Field(default=None, description="χ at which the scan was taken")
    background_counts: float | None = Field(
        default=None, ge=0, description="level off the reflection (2θ moved away), counts a point"
    )
    scan: SideScanTable = Field(default=SideScanTable(), description="how the file is to be read")


class TiltScan(Table):
    """A χ scan at one reflection, for the orientation fractions by tilt."""

    hkl: tuple[int, int, int] = Field(description="the reflection: [1, 0, 2] tells a- from c-axis")
    file: str = Field(description="the scan")
    azimuth: Literal["spinning", "fixed"] = Field(
        description="was the sample spinning, or held at the azimuth of the peak?"
    )
    two_theta_acceptance_deg: float | None = Field(
        default=None, gt=0, le=5, description="full opening in 2θ: does (012) get in beside (102)?"
    )
    defocus: str | None = Field(default=None, description="measured defocus curve: χ, relative")
    background_counts: float | None = Field(
        default=None, ge=0, description="level off the reflection (2θ moved away), counts a point"
    )
    scan: SideScanTable = Field(default=SideScanTable(), description="how the file is to be read")


class FilmTable(Table):
    """[[film]]: one film and its scans."""

    id: str | None = Field(default=None, description="name of the film; default: the scan's name")
    position_m: float | None = Field(default=None, ge=-1e6, le=1e6, description="place on the reel")
    time_min: float | None = Field(default=None, ge=0, description="growth time when quenched")
    coupled: str | None = Field(default=None, description="the coupled (θ–2θ) scan")
    rocking: AngleScan | tuple[AngleScan, ...] | None = Field(
        default=None, description="a rocking scan, or a list of them"
    )
    azimuth: AngleScan | tuple[AngleScan, ...] | None = Field(
        default=None, description="an azimuth scan, or a list of them"
    )
    tilt: TiltScan | None = Field(default=None, description="a tilt (χ) scan")
    recipe: dict[str, RecipeValue] = Field(
        default_factory=dict, description="recipe keys that differ from the run's"
    )

    frame: int | None = Field(
        default=None, ge=1, description="which frame, where coupled names an in-situ stack"
    )
    scan: OwnScanTable = Field(
        default=OwnScanTable(), description="how the coupled scan is to be read"
    )

    @property
    def rocking_scans(self) -> tuple[AngleScan, ...]:
        """The rocking scans, none, one or several."""
        return _as_tuple(self.rocking)

    @property
    def azimuth_scans(self) -> tuple[AngleScan, ...]:
        """The azimuth scans, none, one or several."""
        return _as_tuple(self.azimuth)

    @property
    def file_names(self) -> tuple[str, ...]:
        """All files that the film names."""
        names = [self.coupled, *(scan.file for scan in (*self.rocking_scans, *self.azimuth_scans))]
        if self.tilt is not None:
            names += [self.tilt.file, self.tilt.defocus]
        return tuple(name for name in names if name is not None)

    @model_validator(mode="after")
    def _has_a_scan(self) -> FilmTable:
        if self.frame is not None and not self.coupled:
            raise ValueError("frame needs coupled, the stack that it belongs to")
        if self.scan != OwnScanTable() and not self.coupled:
            raise ValueError(
                "scan belongs to coupled; a rocking, azimuth or tilt scan has a scan of its own"
            )
        if self.frame is not None and (self.scan.which, self.scan.columns) != (None, None):
            raise ValueError(_NOT_IN_STACKS)
        if not (self.coupled or self.rocking or self.azimuth or self.tilt):
            raise ValueError("a film needs at least one scan: coupled, rocking, azimuth or tilt")
        return self


class FilmsTable(Table):
    """[films]: all scans of a folder at once, or all frames of an in-situ stack."""

    coupled: str | None = Field(default=None, description='pattern of file names, e.g. "*.xy"')
    frames: str | None = Field(
        default=None, description="an in-situ stack: a file that holds many scans"
    )
    first_time_min: float | None = Field(
        default=None, ge=0, description="growth time at the first frame; default: 0"
    )
    frame_time_min: float | None = Field(default=None, gt=0, description="time from frame to frame")
    position_from: str | None = Field(
        default=None, description="regular expression with a group position_m (and maybe time_min)"
    )

    @field_validator("position_from")
    @classmethod
    def _named_groups(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        try:
            groups = re.compile(pattern).groupindex
        except re.error as problem:
            raise ValueError(f"is no regular expression ({problem})") from None
        if not set(groups) & {"position_m", "time_min", "id"}:
            raise ValueError("needs a named group: (?P<position_m>…), (?P<time_min>…) or (?P<id>…)")
        return pattern

    @model_validator(mode="after")
    def _one_source(self) -> FilmsTable:
        if (self.coupled is None) == (self.frames is None):
            raise ValueError("give either coupled (many files) or frames (one file of many scans)")
        if self.frames is not None and self.position_from is not None:
            raise ValueError("position_from goes with coupled: frames share one file name")
        if self.frames is None and (self.first_time_min, self.frame_time_min) != (None, None):
            raise ValueError("first_time_min and frame_time_min go with frames")
        if self.first_time_min is not None and self.frame_time_min is None:
            raise ValueError("first_time_min needs frame_time_min")
        return self


class ReferenceTable(Table):
    """[reference]: scans of films of known state with the same stack and optics."""

    unconverted: str | None = Field(default=None, description="pyrolysed or quenched film")
    finished: str | None = Field(default=None, description="fully converted film")
    scan: OwnScanTable = Field(
        default=OwnScanTable(), description="how these scans are to be read; overrides [scan]"
    )


class PhaseTable(Table):
    """[[phase]]: a phase of the user's own, from a CIF."""

    key: str = Field(description="name by which the run file calls it")
    file: str = Field(description="its CIF")


class AdjustedLine(Table):
    """A line that [adjust] excludes."""

    phase: str = Field(description="phase of the line")
    hkl: tuple[int, int, int] = Field(description="its indices")


class MovedLine(AdjustedLine):
    """A line that [adjust] has looked for at another place."""

    two_theta_deg: float = Field(gt=0, lt=180, description="K-alpha1 place on the measured axis")


class FilmAdjustTable(Table):
    """[adjust.film."id"]: what is done otherwise for one film; overrides [adjust] key by key."""

    exclude_lines: tuple[AdjustedLine, ...] = Field(
        default=(), description="lines on which no figure may rest"
    )
    move_lines: tuple[MovedLine, ...] = Field(
        default=(), description="lines to be looked for elsewhere"
    )
    exclude_ranges_deg: tuple[tuple[float, float], ...] = Field(
        default=(), description="stretches of 2θ whose points are not used: [[low, high], …]"
    )
    widest_line_deg: float | None = Field(
        default=None,
        ge=0.2,
        le=20,
        description="stiffness of the broad background: widest line (FWHM) it leaves standing",
    )
    background_degree: int | None = Field(
        default=None, ge=0, le=3, description="degree of the background under each fitted window"
    )

    @field_validator("exclude_ranges_deg")
    @classmethod
    def _ascending(cls, ranges: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        for low, high in ranges:
            if not low < high:
                raise ValueError(f"[{low:g}, {high:g}] must go from low to high")
        return ranges


class AdjustTable(FilmAdjustTable):
    """[adjust]: what the user who looked at the fits wants done otherwise, for all films."""

    by: str | None = Field(default=None, description="who says so")
    why: str | None = Field(default=None, description="for what reason")
    film: dict[str, FilmAdjustTable] = Field(
        default_factory=dict, description="by film id: what holds for one film"
    )

    def adjustments_of(self, film_id: str | None) -> Adjustments:
        """What holds for a film: its own keys over those of all films."""
        stated = {name: getattr(self, name) for name in self.model_fields_set}
        own = self.film.get(film_id) if film_id is not None else None
        if own is not None:
            stated |= {name: getattr(own, name) for name in own.model_fields_set}
        return Adjustments(
            excluded=frozenset(
                Reflection(line.phase, line.hkl) for line in stated.get("exclude_lines", ())
            ),
            moved=tuple(
                (Reflection(line.phase, line.hkl), line.two_theta_deg)
                for line in stated.get("move_lines", ())
            ),
            ranges_deg=tuple(stated.get("exclude_ranges_deg", ())),
            widest_line_deg=stated.get("widest_line_deg"),
            background_degree=stated.get("background_degree"),
            by=self.by,
            why=self.why,
        )


class EventTable(Table):
    """[[event]]: something that happened to the line: a new ink lot, a furnace service."""

    date: datetime.date | None = Field(default=None, description="day of the event")
    text: str = Field(description="what happened")


class RunFile(Table):
    """A whole run.toml."""

    run: RunTable = RunTable()
    recipe: dict[str, RecipeValue] = Field(
        default_factory=dict,
        description="what was set: keys of your own; numbers are trended, line names the line",
    )
    optics: OpticsTable = OpticsTable()
    scan: ScanTable = ScanTable()
    stack: StackTable = StackTable()
    assumptions: AssumptionTable = AssumptionTable()
    limits: LimitsTable | None = None
    reference: ReferenceTable = ReferenceTable()
    film: tuple[FilmTable, ...] = ()
    films: FilmsTable | None = None
    phase: tuple[PhaseTable, ...] = ()
    event: tuple[EventTable, ...] = ()
    adjust: AdjustTable = AdjustTable()

    @model_validator(mode="after")
    def _one_list_of_films(self) -> RunFile:
        if self.film and self.films:
            raise ValueError("give either [[film]] tables or [films], not both")
        in_stacks = [film.frame for film in self.film] + [self.films and self.films.frames]
        if any(in_stacks) and (self.scan.which, self.scan.columns) != (None, None):
            raise ValueError(f"[scan]: {_NOT_IN_STACKS}")
        return self

    def reading_of(self, own: OwnScanTable | SideScanTable) -> dict[str, Any]:
        """How a scan is to be read: its own keys, those of [scan], the optics.

        Columns, scan and axis of [scan] are those of coupled scans; the unit is everybody's.
        Keys as in `xrdfilm.readers.Overrides`; None where nothing is stated.
        """
        shared = self.scan.model_dump()
        if isinstance(own, SideScanTable):
            shared = {"intensity_unit": self.scan.intensity_unit}
        shared["step_time_s"] = self.optics.step_time_s
        stated = {key: value for key, value in own.model_dump().items() if value is not None}
        radiation = {"anode": self.optics.anode, "wavelength_A": self.optics.wavelength_A}
        return shared | stated | radiation

    def films_in(self, folder: Path) -> tuple[FilmTable, ...]:
        """The films, each with an id; scans of `[films]` are looked for in ``folder``.

        Raises RunFileError where `[films]` matches nothing, or a film's id stands twice.
        """
        films = self.film or self._matched_films(folder)
        named = tuple(
            item if item.id else item.model_copy(update={"id": _default_id(item, number)})
            for number, item in enumerate(films, start=1)
        )
        twice = sorted(str(i) for i, n in Counter(item.id for item in named).items() if n > 1)
        if twice:
            raise RunFileError(f"film id stands twice: {', '.join(twice)}", path=folder)
        return named

    def _matched_films(self, folder: Path) -> tuple[FilmTable, ...]:
        if self.films is None:
            return ()
        if self.films.frames is not None:
            return self._frames(self.films, self.films.frames, folder)
        pattern = str(self.films.coupled)
        if Path(pattern).is_absolute() or ".." in Path(pattern).parts:
            raise RunFileError(
                f"[films] coupled = {pattern!r} leaves the run folder", path=folder / "run.toml"
            )
        found = sorted(p for p in folder.glob(pattern) if p.is_file() and p.name != "run.toml")
        if not found:
            raise RunFileError(
                f"[films] coupled = {pattern!r} matches no file in {folder}",
                path=folder / "run.toml",
            )
        films = []
        for path in found:
            values: dict[str, Any] = {"coupled": str(path.relative_to(folder)), "id": path.stem}
            if self.films.position_from:
                match = re.search(self.films.position_from, path.name)
                if match:
                    values |= {k: v for k, v in match.groupdict().items() if v is not None}
            films.append(FilmTable.model_validate(values))
        return tuple(films)

    @staticmethod
    def _frames(stated: FilmsTable, name: str, folder: Path) -> tuple[FilmTable, ...]:
        """A film for each frame of a stack, its time by its number."""
        from xrdfilm.readers.frames import count_frames

        if Path(name).is_absolute() or ".." in Path(name).parts:
            raise RunFileError(
                f"[films] frames = {name!r} leaves the run folder", path=folder / "run.toml"
            )
        count, stem = count_frames(folder / name), Path(name).stem
        step, start = stated.frame_time_min, stated.first_time_min or 0.0
        return tuple(
            FilmTable(
                id=f"{stem}-{number:05d}",
                coupled=name,
                frame=number,
                time_min=None if step is None else round(start + step * (number - 1), 9),
            )
            for number in range(1, count + 1)
        )


def _as_tuple(scans: AngleScan | tuple[AngleScan, ...] | None) -> tuple[AngleScan, ...]:
    if scans is None:
        return ()
    return scans if isinstance(scans, tuple) else (scans,)


def _default_id(film: FilmTable, number: int) -> str:
    return Path(film.coupled).stem if film.coupled else f"film-{number:02d}"


def read_run_file(path: Path) -> RunFile:
    """A run.toml as a checked model; raises RunFileError with file, line and remedy."""
    text = read_toml_text(path, RunFileError)
    run_file = parse_model(RunFile, text, path, RunFileError)
    for number, phase in enumerate(run_file.phase):
        if not (path.parent / phase.file).is_file():
            raise RunFileError(
                f"phase {phase.key}: no such file: {phase.file}",
                path=path,
                line=line_of(text, ("phase", number, "file")),
            )
    return run_file
