"""Draws the figures of README and docs, from the package and the examples.

    python docs/make_figures.py                 # all of them
    python docs/make_figures.py window growth   # some
    python docs/make_figures.py --light         # those that take a second
    python docs/make_figures.py --check         # draw all anew elsewhere and say which are stale

Pictures of the report need a chromium to render its pages. A test draws the light ones again and
compares, so that a figure that no longer says what the code does is found out.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "examples"))

from scenario import BLUE, INK, MOSS, MUTED, RUST, SAND, sheet

DPI = 130
FIVE_DEG, TWO_DEG = 38.495, 47.565  # (005) and (200) of YBCO, Cu K-alpha1


def window() -> Any:
    """The orientation window against mosaic, and what it makes of line areas."""
    from xrdfilm.intensity.optics import Optics
    from xrdfilm.intensity.window import window_aligned, window_random

    optics = Optics(axial_stated=True)
    mosaic = np.geomspace(0.05, 10.0, 160)
    figure, (axes, ratio) = sheet(1, 2, 10.0, 4.2)
    for place, colour, name in ((22.82, SAND, "(003)"), (FIVE_DEG, BLUE, "(005)"),
                                (FIVE_DEG + 34.3, MOSS, "(009)")):  # fmt: skip
        share = np.array([window_aligned(place, m, optics, 10.0) for m in mosaic])
        axes.plot(mosaic, share, color=colour, linewidth=1.8, label=f"aligned, {name}")
        ratio.plot(mosaic, share / window_random(place, 1, optics, 10.0), color=colour)
    axes.axhline(float(window_random(FIVE_DEG, 8, optics, 10.0)), color=RUST, linewidth=1.4,
                 linestyle=(0, (5, 3)), label="random, 8 planes")  # fmt: skip
    axes.set(
        xscale="log",
        yscale="log",
        xlabel="mosaic FWHM / °",
        ylabel="share of grains that reflect, W",
    )
    axes.legend(frameon=False, fontsize=9)
    ratio.set(xscale="log", yscale="log", xlabel="mosaic FWHM / °",
              ylabel="aligned over random, one plane")  # fmt: skip
    plain(axes, ratio)
    return figure


def detection() -> Any:
    """Least fluoride that would show, aligned and random, against the film's mosaic."""
    from xrdfilm.analysis.film import FilmInput, analyse_films
    from xrdfilm.analysis.premises import premises_of
    from xrdfilm.intensity.optics import Optics
    from xrdfilm.runfile import RunFile
    from xrdfilm.simulate import Background, Instrument, SimulatedFilm, simulate_scan

    mosaics = (0.3, 0.6, 1.0, 2.0, 4.0, 6.0)
    limits = []
    for mosaic in mosaics:
        premises = premises_of(
            RunFile.model_validate(
                {
                    "stack": {"film": "YBCO", "thickness_nm": 800, "substrate": "LaAlO3"},
                    "optics": {"divergence_deg": 0.5, "axial_acceptance_deg": 2.3,
                               "axial": "apertures", "step_time_s": 1.0},
                    "assumptions": {"c_axis_mosaic_deg": mosaic, "mosaic_factor": 1.05},
                }
            )
        )  # fmt: skip
        made = SimulatedFilm(
            stack=premises.stack, c_axis=1.0, a_axis=0.0, random=0.0, c_mosaic_fwhm_deg=mosaic
        )
        scan, _ = simulate_scan(
            made, Optics(axial_stated=True), counts=30_000.0, top_of=(0, 0, 5), seed=4,
            refraction=True, instrument=Instrument(background=Background(200.0)),
        )  # fmt: skip
        [film] = analyse_films([FilmInput("film", premises, coupled=scan)])
        found = film.fluoride.record()
        limits.append((found.detection_limit_aligned, found.detection_limit_random))
    aligned, random = 100.0 * np.array(limits).T
    figure, axes = sheet(1, 1, 7.4, 4.4)
    axes.plot(mosaics, random, "s-", color=RUST, label="if the fluoride is random")
    axes.plot(mosaics, aligned, "o-", color=BLUE, label="if it is aligned like the film")
    axes.set(xscale="log", yscale="log", xlabel="mosaic FWHM of the film / °",
             ylabel="least fluoride that would show / vol%")  # fmt: skip
    axes.set_title("800 nm on LaAlO3, 30 000 counts at the (005) top, 200 beside", loc="left",
                   fontsize=10, color=INK)  # fmt: skip
    axes.set_xticks(mosaics, [f"{m:g}" for m in mosaics])
    axes.set_yticks([0.1, 0.3, 1, 3, 10, 30], ["0.1", "0.3", "1", "3", "10", "30"])
    axes.tick_params(axis="both", which="minor", length=0, labelbottom=False, labelleft=False)
    axes.legend(frameon=False, fontsize=9)
    return figure


def decision() -> Any:
    """Three estimates against one limit: pass, undecided, fail."""
    from scipy.stats import norm

    from xrdfilm.decision.guard import Tolerance, acceptance
    from xrdfilm.estimate import from_normal

    limit, sigma = 5.0, 0.8
    figure, axes = sheet(1, 1, 8.6, 3.6)
    x = np.linspace(0.0, 11.0, 600)
    guard = acceptance(Tolerance(None, limit), from_normal(2.0, sigma), 0.05)
    assert guard is not None
    assert guard.high is not None
    axes.axvspan(0.0, guard.high, color=MOSS, alpha=0.08, linewidth=0)
    axes.axvspan(guard.high, 2 * limit - guard.high, color=SAND, alpha=0.14, linewidth=0)
    axes.axvspan(2 * limit - guard.high, 11.0, color=RUST, alpha=0.08, linewidth=0)
    for middle, colour, word in (
        (1.6, MOSS, "pass"),
        (4.8, SAND, "undecided"),
        (8.6, RUST, "fail"),
    ):
        density = norm.pdf(x, middle, sigma)
        axes.plot(x, density, color=colour, linewidth=1.8)
        axes.fill_between(x, density, where=x >= limit, color=colour, alpha=0.35, linewidth=0)
        broken = 100.0 * norm.sf(limit, middle, sigma)
        how = "under 0.1" if broken < 0.1 else "over 99.9" if broken > 99.9 else f"{broken:.0f}"
        axes.text(middle, norm.pdf(0) / sigma + 0.03,
                  f"{word}\nbroken: {how} %", ha="center", fontsize=9, color=colour)  # fmt: skip
    axes.vlines(limit, 0.0, 0.52, color=INK, linewidth=1.5)
    axes.text(limit, -0.075, "limit", ha="center", fontsize=9, color=INK)
    axes.set(
        xlim=(0.0, 11.0), ylim=(0.0, 0.72), xlabel="\nfigure, where the estimate falls", yticks=[]
    )
    axes.grid(False)
    return figure


def displacement() -> Any:
    """The false c that each order shows for a sample off the axis, and the straight line."""
    from xrdfilm.crystal import load_phase
    from xrdfilm.crystal.radiation import two_theta_of
    from xrdfilm.intensity.optics import Optics
    from xrdfilm.lattice.cell import apparent_edge, displacement_function

    optics = Optics()
    rays = optics.radiation
    c_A = load_phase("YBCO").cell.c_A
    orders = np.array([2, 3, 4, 5, 6, 7, 8, 9, 10, 11])
    true = np.asarray(two_theta_of(c_A / orders, rays.k_alpha1_A))
    figure, axes = sheet(1, 1, 7.8, 4.2)
    for off, colour in ((-100.0, SAND), (0.0, MUTED), (50.0, MOSS), (100.0, BLUE), (200.0, RUST)):
        shown = true - np.degrees(2.0 * off * 1e-3 * np.cos(np.radians(true / 2)) / 240.0)
        edge, _ = apparent_edge(orders, shown, np.full(orders.size, 0.001), optics)
        axes.plot(displacement_function(true), edge, "o-", color=colour, markersize=4,
                  linewidth=1.0, label=f"{off:+.0f} µm".replace("-", "−") if off else "on the axis")  # fmt: skip
    for order, at in zip(orders, displacement_function(true), strict=True):
        if order in (2, 3, 4, 5, 7, 11):
            axes.text(at, c_A - 0.043, f"(00{order})" if order < 10 else f"(0 0 {order})",
                      ha="center", fontsize=8, color=MUTED)  # fmt: skip
    axes.set(xlabel="cos²θ / sinθ", ylabel="c from one order / Å", ylim=(c_A - 0.05, c_A + 0.085))
    axes.ticklabel_format(axis="y", useOffset=False)
    axes.legend(frameon=False, fontsize=9, title="sample below the axis", title_fontsize=9)
    return figure


def growth() -> Any:
    """The four growth models."""
    from xrdfilm.kinetics.models import MODELS

    figure, axes = sheet(1, 1, 7.4, 4.0)
    s = np.linspace(-0.2, 1.4, 500)
    for model, colour in zip(MODELS, (INK, BLUE, RUST, MOSS), strict=False):
        exponents = (1.0, 2.0, 3.0) if model.parameters == 3 else (1.0,)
        for n, dash in zip(exponents, ("-", (0, (6, 2)), (0, (2, 2))), strict=False):
            label = model.label + (f", n = {n:g}" if model.parameters == 3 else "")
            axes.plot(s, model.conversion(s, 0.0, 1.0, n), color=colour, linewidth=1.7,
                      linestyle=dash, label=label)  # fmt: skip
    axes.set(xlabel="(time − incubation) / span", ylabel="conversion")
    axes.legend(frameon=False, fontsize=8.5, loc="lower right")
    return figure


HANDBOOK = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
            49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)  # fmt: skip
"""Worked example of NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4."""


def charts() -> Any:
    """The handbook's EWMA example, as the package draws its lines."""
    from xrdfilm.trend.charts import ewma, individuals
    from xrdfilm.trend.scatter import Baseline

    x, u = np.array(HANDBOOK), np.zeros(len(HANDBOOK))
    base = Baseline(50.0, 2.0539)
    chart, average = individuals(x, u, base), ewma(x, u, base, gain=0.3, width=3.0)
    figure, axes = sheet(1, 1, 8.6, 3.8)
    at = np.arange(1, x.size + 1)
    axes.fill_between(at, average.lower, average.upper, color="#e3ebf1", linewidth=0,
                      label="limits of the average")  # fmt: skip
    axes.plot(at, chart.upper, color=RUST, linewidth=1.2, label="limits of single points")
    axes.plot(at, chart.lower, color=RUST, linewidth=1.2)
    axes.plot(at, x, "o", color=MUTED, markersize=4, label="points")
    axes.plot(at, average.values, color=BLUE, linewidth=1.8, label="weighted average, λ = 0.3")
    axes.set(xlabel="point", ylabel="figure", xticks=at[::2], ylim=(42.5, 61.0))
    axes.legend(frameon=False, fontsize=8.5, ncols=2, loc="upper left")
    return figure


def coverage() -> Any:
    """How often 95 % intervals held the truth, over simulated films."""
    rows = json.loads((HERE / "calibration.json").read_text(encoding="utf-8"))["coverage"]
    figure, axes = sheet(1, 1, 8.6, 0.31 * len(rows) + 1.2)
    colours = dict(zip(dict.fromkeys(r["group"] for r in rows),
                       (BLUE, MOSS, MUTED, RUST, INK, SAND, "#7a3b8f", "#2f7f86"), strict=False))  # fmt: skip
    axes.axvspan(93.0, 97.0, color="#e9eef2", linewidth=0)
    axes.axvline(95.0, color=MUTED, linewidth=1.0, linestyle=(0, (4, 3)))
    for height, row in enumerate(rows):
        held, n = row["held"], row["of"]
        spread = 1.96 * np.sqrt(0.95 * 0.05 / n)
        axes.plot([100 * (held - spread), min(100 * (held + spread), 100.0)], [height] * 2,
                  color=colours[row["group"]], linewidth=1.3, alpha=0.6)  # fmt: skip
        axes.plot(100 * held, height, "o", color=colours[row["group"]], markersize=6)
    axes.set_yticks(range(len(rows)), [f"{r['group']}: {r['what']}" for r in rows])
    axes.set(ylim=(len(rows) - 0.5, -0.5), xlim=(84.0, 100.5),
             xlabel="truth within the 95 % interval / %; line: chance of a count of this size")  # fmt: skip
    axes.grid(False, axis="y")
    return figure


def plain(*all_axes: Any) -> None:
    """Ticks as plain numbers on logarithmic axes, where they are not too many decades."""
    from matplotlib.ticker import FuncFormatter, NullFormatter

    for axes in all_axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = axis.get_view_interval()
            if axis.get_scale() == "log" and high / low < 2e3:
                axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axis.set_minor_formatter(NullFormatter())


LIGHT: dict[str, Callable[[], Any]] = {
    f.__name__: f for f in (window, decision, displacement, growth, charts, coverage, detection)
}

EXAMPLES = (
    "one_film", "run_with_limits", "reel", "tilt_scan", "quench_series",
    "own_phase_and_instrument", "batch_on_cluster", "trend_of_a_line",
)  # fmt: skip

# page of the judged demo, window in pixels
SHOTS = {
    "report-run": ("index.html", 1280, 1000),
    "report-film": ("films/K-0317-07.html", 1280, 1500),
}


def draw(name: str, folder: Path) -> Path:
    """Draw a light figure into the folder."""
    path = folder / f"{name}.png"
    LIGHT[name]().savefig(path, dpi=DPI, metadata={"Software": None})
    return path


def run_example(name: str, folder: Path) -> None:
    """Run an example and keep its figure."""
    import importlib

    with tempfile.TemporaryDirectory() as work:
        path = importlib.import_module(name).main(Path(work))
        shutil.copy(path, folder / f"example-{name}.png")


def photograph(folder: Path) -> None:
    """Pictures of the demo's report, in a headless browser."""
    from xrdfilm.demo import write_demo
    from xrdfilm.report.write import write_report
    from xrdfilm.runs.gather import gather_runs
    from xrdfilm.runs.judge import judge_run

    browser = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser is None:
        raise SystemExit("pictures of the report need chromium")
    with tempfile.TemporaryDirectory() as work:
        [planned] = gather_runs([write_demo(Path(work) / "demo")])
        judged = judge_run(planned)
        write_report(judged.result, judged.pictures, planned.out_dir, pdf=False)
        for name, (page, width, height) in SHOTS.items():
            shoot(browser, planned.out_dir / page, folder / f"{name}.png", width, height)


def shoot(browser: str, page: Path, picture: Path, width: int, height: int) -> None:
    """A picture of a page at this window size."""
    subprocess.run(
        [
            browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
            "--force-device-scale-factor=1", "--virtual-time-budget=8000",
            f"--window-size={width},{height}", f"--screenshot={picture}", page.as_uri(),
        ],
        check=True, capture_output=True, timeout=180,
    )  # fmt: skip


STALE = 0.03  # root mean square difference of pixels, 0..1, above which a picture is stale


def difference(one: Path, other: Path) -> float:
    """Root mean square difference of two pictures' pixels, 0..1; 1 where their sizes differ."""
    from matplotlib.image import imread

    first, second = imread(one), imread(other)
    if first.shape != second.shape:
        return 1.0
    return float(np.sqrt(np.mean((first - second) ** 2)))


def draw_all(folder: Path, asked: list[str], light_only: bool) -> None:
    """Draw what was asked for, everything where nothing was, into the folder."""
    for name in LIGHT:
        if not asked or name in asked:
            draw(name, folder)
    if light_only:
        return
    for name in EXAMPLES:
        if not asked or name in asked:
            run_example(name, folder)
    if not asked or "report" in asked:
        photograph(folder)


def main() -> int:
    """Draw what was asked for, or check it."""
    kept = HERE / "figures"
    kept.mkdir(exist_ok=True)
    asked = [a for a in sys.argv[1:] if not a.startswith("-")]
    unknown = set(asked) - set(LIGHT) - set(EXAMPLES) - {"report"}
    if unknown:
        raise SystemExit(f"no figure named {', '.join(sorted(unknown))}")
    light_only = "--light" in sys.argv
    if "--check" not in sys.argv:
        draw_all(kept, asked, light_only)
        return 0
    with tempfile.TemporaryDirectory() as work:
        draw_all(Path(work), asked, light_only)
        stale = [
            now.name
            for now in sorted(Path(work).glob("*.png"))
            if not (kept / now.name).is_file() or difference(now, kept / now.name) > STALE
        ]
    for name in stale:
        print(f"stale: docs/figures/{name}; run python docs/make_figures.py")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
