"""Reference films, from scans of invented ones to what `judge` tells of the films after them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from tests.invented import OPTICS
from xrdfilm.analysis.coupled import analyse_coupled, prepare
from xrdfilm.analysis.premises import Premises, premises_of
from xrdfilm.analysis.recognise import named_peaks
from xrdfilm.analysis.references import measure_references
from xrdfilm.cli import cli
from xrdfilm.crystal import load_phase
from xrdfilm.errors import AlignmentError, CannotTellError
from xrdfilm.lattice.identify import find_peaks
from xrdfilm.lines import MeasuredLines
from xrdfilm.results import Film, read_results
from xrdfilm.runfile import RunFile
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, SubstrateTexture, fluoride, simulate_scan
from xrdfilm.simulate.files import write_scan

VOLUME_RATIO = 2 * (6.2**3 / 4) / (3.82 * 3.885 * 11.68)  # of 2 BaF2 to the film made of it
SCALE = 1.1e8  # 20 000 counts at the top of a finished film
CONVERSIONS = (1.0, 0.98, 0.95, 0.9, 0.8, 0.6)
CASES = (("SrTiO3", "aligned"), ("LaAlO3", "aligned_111"), ("MgO", "aligned_111"))


def stack_on(substrate: str) -> dict[str, Any]:
    return {"film": "YBCO", "thickness_nm": 800, "substrate": substrate}


def premises_for(substrate: str) -> Premises:
    assumed = {"c_axis_mosaic_deg": 1.0, "mosaic_factor": 1.05}
    return premises_of(
        RunFile.model_validate(
            {"stack": stack_on(substrate), "optics": OPTICS, "assumptions": assumed}
        )
    )


def scan_at(
    premises: Premises, conversion: float, rng: np.random.Generator, stands: str
) -> tuple[Scan, float]:
    """A film at a conversion, and its share of fluoride.

    The cations stay, so the layer absorbs alike at every stage; film and fluoride have the
    volumes that the reaction gives them, and the substrate is always the same.
    """
    film_volume, fluoride_volume = conversion, (1.0 - conversion) * VOLUME_RATIO
    total = film_volume + fluoride_volume
    fraction = min(fluoride_volume / total, 0.9999)
    # fluoride's texture is not quite the same at every stage
    mosaic = 1.0 * np.exp(0.05 * rng.standard_normal())
    left = fluoride(load_phase("BaF2"), fraction, stands, mosaic_fwhm_deg=mosaic)  # type: ignore[arg-type]
    made = SimulatedFilm(
        stack=premises.stack,
        c_axis=0.93,
        a_axis=0.04,
        random=0.03,
        c_mosaic_fwhm_deg=1.0,
        a_mosaic_fwhm_deg=1.0,
        minor=(left,) if fraction > 0.0 else (),
        substrate=SubstrateTexture(weakening=0.3 / total),
    )
    scan, _ = simulate_scan(
        made,
        premises.optics,
        scale=SCALE * total,
        displacement_um=40.0 * rng.standard_normal(),
        seed=int(rng.integers(2**31)),
    )
    return scan, fluoride_volume / total


def judged(folder: Path, substrate: str, reference: str, names: list[str]) -> list[Film]:
    """The films as `xrdfilm judge` tells them, with or without a [reference]."""
    optics = "\n".join(f"{key} = {json.dumps(value)}" for key, value in OPTICS.items())
    films = "\n".join(f'[[film]]\nid = "{name}"\ncoupled = "{name}.xy"' for name in names)
    (folder / "run.toml").write_text(
        f'[optics]\n{optics}\n[stack]\nfilm = "YBCO"\nthickness_nm = 800\n'
        f'substrate = "{substrate}"\n[assumptions]\nc_axis_mosaic_deg = 1.0\n'
        f"{reference}\n{films}\n",
        encoding="utf-8",
    )
    words = ["judge", str(folder), "--results-only", "--workers", "1", "--no-history"]
    result = CliRunner().invoke(cli, words, standalone_mode=False)
    assert result.exception is None, result.output
    return list(read_results(folder / "judged/results.json").films)


@pytest.mark.parametrize(("substrate", "stands"), CASES)
def test_an_unconverted_film_narrows_what_is_told_of_the_films_after_it(
    substrate: str, stands: str, tmp_path: Path
) -> None:
    rng = np.random.default_rng(len(substrate))
    premises = premises_for(substrate)
    write_scan(tmp_path / "raw.xy", scan_at(premises, 0.0, rng, stands)[0])
    truth: dict[str, tuple[float, float]] = {}
    for number, conversion in enumerate(CONVERSIONS):
        scan, fraction = scan_at(premises, conversion, rng, stands)
        write_scan(tmp_path / f"f{number}.xy", scan)
        truth[f"f{number}"] = (conversion, fraction)
    names = list(truth)
    with_it = judged(tmp_path, substrate, '[reference]\nunconverted = "raw.xy"', names)
    without = judged(tmp_path, substrate, "", names)
    for film, plain in zip(with_it, without, strict=True):
        assert not any("not used" in text for text in film.warnings), film.warnings
        told, before = film.fluoride, plain.fluoride
        assert told is not None
        assert before is not None
        assert told.route == "reference"
        conversion, fraction = truth[film.film]
        for found, true in (
            (told.conversion, conversion),
            (told.volume_fraction_aligned, fraction),
        ):
            assert found is not None
            assert found.low - 1e-9 <= true <= found.high + 1e-9
        if conversion < 1.0:
            assert told.detected
            assert told.conversion.sources["line width"] > 0.0
            assert told.conversion.value == pytest.approx(conversion, abs=0.25 * (1 - conversion))
        assert _width(told.conversion) < _width(before.conversion)


def _width(found: Any) -> float:
    return float(found.high - found.low)


@pytest.fixture(scope="module")
def raw() -> tuple[Any, Any]:
    """Fit and fluoride estimate of an unconverted film on LaAlO3."""
    from xrdfilm.analysis.film import FilmInput, analyse_films

    premises = replace(premises_for("LaAlO3"), unconverted=True)
    scan, _ = scan_at(premises, 0.0, np.random.default_rng(5), "aligned")
    (found,) = analyse_films([FilmInput("raw", premises, scan)])
    return found.coupled, found.fluoride


def test_only_lines_that_show_are_taken_from_a_reference(raw: tuple[Any, Any]) -> None:
    measured = measure_references(raw, None)
    assert measured.unconverted is not None
    # aligned fluoride shows its (00l) alone; (111) would divide noise by noise
    assert set(measured.unconverted.lines) <= {(2, 0, 0), (4, 0, 0)}
    assert (2, 0, 0) in measured.unconverted.lines
    assert all(area > 3.0 * sigma for area, sigma in measured.unconverted.lines.values())


def test_a_ghost_of_the_normalising_line_is_not_taken_for_it(raw: tuple[Any, Any]) -> None:
    fit, _ = raw
    reflection = next(r for r in measure_references(raw, None).unconverted.normalisers)
    same = [
        (line.area_counts_deg, laid.ghost)
        for line, laid in zip(fit.lines, fit.laid, strict=True)
        if laid.reflection == reflection
    ]
    assert any(ghost is not None for _, ghost in same)  # fitted beside, under the same name
    own = next(area for area, ghost in same if ghost is None)
    here = measure_references(raw, None).for_film(fit)
    assert here.normaliser == own
    # the film is its own reference: all of the fluoride is left
    ratio = here.unconverted[(2, 0, 0)].value * here.normaliser
    assert ratio == pytest.approx(measure_references(raw, None).unconverted.lines[(2, 0, 0)][0])


def test_a_scan_without_a_sound_normalising_line_says_which_and_why(raw: tuple[Any, Any]) -> None:
    fit, _ = raw
    measured = measure_references(raw, None)
    rows = [
        replace(line, flags=(*line.flags, "core_excluded"))
        if laid.role == "substrate" and laid.ghost is None
        else line
        for line, laid in zip(fit.lines, fit.laid, strict=True)
    ]
    full = replace(fit, lines=MeasuredLines(tuple(rows), fit.lines.area_covariance))
    with pytest.raises(CannotTellError, match=r"LaAlO3 \(200\): the detector was full at its top"):
        measured.for_film(full)


def test_a_single_substrate_line_will_do_for_a_film_before_growth_alone() -> None:
    premises = premises_for("MgO")
    scan, _ = scan_at(premises, 0.0, np.random.default_rng(6), "aligned_111")
    peaks = find_peaks(scan, radiation=premises.optics.radiation)
    with pytest.raises(AlignmentError):
        named_peaks(peaks, prepare(premises, scan.axis_deg))
    before = replace(premises, unconverted=True)
    found = named_peaks(peaks, prepare(before, scan.axis_deg))
    assert [match.hkl for match in found.matches] == [(2, 0, 0)]
    # a film on another substrate has its strongest lines elsewhere
    other, _ = scan_at(premises_for("SrTiO3"), 0.0, np.random.default_rng(6), "aligned_111")
    with pytest.raises(AlignmentError):
        named_peaks(
            find_peaks(other, radiation=premises.optics.radiation), prepare(before, other.axis_deg)
        )
    (fit,) = analyse_coupled([scan], prepare(before, scan.axis_deg))
    assert not isinstance(fit, Exception)
