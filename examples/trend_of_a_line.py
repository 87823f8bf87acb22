"""Forty runs in the history: what shifted, when, and what of the recipe it goes with.

python examples/trend_of_a_line.py out
"""

import datetime
from pathlib import Path

import numpy as np
from scenario import (
    BLUE,
    INK,
    INSTRUMENT,
    MUTED,
    OPTICS,
    RUST,
    film,
    finish,
    folder_of,
    run_toml,
    sheet,
)

from xrdfilm import (
    FilmInput,
    RunResult,
    film_record,
    open_history,
    premises_of,
    read_run_file,
    simulate_scan,
    trend_of,
)
from xrdfilm.analysis.film import FilmAnalyser
from xrdfilm.results import Run
from xrdfilm.trend.words import course_words, recipe_words, signal_words

RUNS, SHIFT_AT = 48, 34
FIRST_DAY = datetime.date(2031, 1, 6)


def recipe_of(number: int, draw: np.random.Generator) -> dict[str, float]:
    """What was set; from run 34 on a new gas panel lets in less water."""
    vapour = draw.normal(23.0, 1.0) - (5.0 if number >= SHIFT_AT else 0.0)
    return {
        "growth_temperature_C": float(draw.normal(780.0, 2.0)),
        "water_vapour_mbar": float(vapour),
        "gas_flow_l_min": float(draw.normal(40.0, 1.5)),
    }


def main(folder: Path) -> Path:
    draw = np.random.default_rng(5)
    (folder / "run.toml").write_text(run_toml(), encoding="utf-8")
    premises = premises_of(read_run_file(folder / "run.toml"))
    recipes = [recipe_of(number, draw) for number in range(RUNS)]
    films = []
    for number, recipe in enumerate(recipes):
        share = 0.03 + 0.006 * (23.0 - recipe["water_vapour_mbar"]) + draw.normal(0.0, 0.004)
        share = float(np.clip(share, 0.002, 0.3))
        scan, _ = simulate_scan(
            film(c_axis=0.97 - share, a_axis=share, random=0.03), OPTICS, instrument=INSTRUMENT,
            refraction=True, displacement_um=float(draw.normal(0.0, 20.0)), seed=number,
            two_theta_deg=np.arange(20.0, 60.0, 0.02),
        )  # fmt: skip
        films.append(FilmInput(f"N-{500 + number}-01", premises, coupled=scan))

    analyses = FilmAnalyser().analyse(films)
    with open_history(folder / "history.sqlite") as history:
        for number, (analysis, recipe) in enumerate(zip(analyses, recipes, strict=True)):
            run = Run(
                id=f"N-{500 + number}", date=FIRST_DAY + datetime.timedelta(days=number),
                recipe={"line": "north", **recipe},
            )  # fmt: skip
            history.store(RunResult(run=run, films=[film_record(analysis, limits=None)]))
        trend = trend_of(history, "a_axis_fraction", line="north")
    for sentence in (*signal_words(trend), *course_words(trend), *recipe_words(trend)):
        print(sentence)

    x = np.arange(RUNS)
    centre, sigma = 100.0 * trend.figures.centre, 100.0 * trend.figures.sigma
    figure, (axes, against) = sheet(1, 2, 10.5, 4.4, width_ratios=(1.7, 1.0))
    average = trend.ewma
    axes.fill_between(x, 100.0 * average.lower, 100.0 * average.upper, color="#e9eef2",
                      linewidth=0, label="limits of the average")  # fmt: skip
    axes.errorbar(x, centre, yerr=sigma, fmt="o", markersize=3.5, elinewidth=0.8, color=BLUE,
                  label="runs, ± standard uncertainty")  # fmt: skip
    axes.plot(x, 100.0 * average.values, color=INK, linewidth=1.6, label="weighted average")
    for step in getattr(trend.course, "steps", ()):
        axes.axvspan(step.low, step.high, color=RUST, alpha=0.18, linewidth=0)
        axes.axvline(step.index, color=RUST, linewidth=1.3)
    axes.axvline(SHIFT_AT, color=MUTED, linewidth=1.0, linestyle=(0, (2, 2)), label="truth")
    axes.set(xlabel="run", ylabel="a-axis share / %")
    axes.legend(frameon=False, fontsize=8.5, loc="upper left")
    axes.set_ylim(0.0, 1.35 * float(np.max(centre + sigma)))

    vapour = [recipe["water_vapour_mbar"] for recipe in recipes]
    against.errorbar(vapour, centre, yerr=sigma, fmt="o", markersize=3.5, elinewidth=0.8,
                     color=BLUE)  # fmt: skip
    against.set(xlabel="water vapour / mbar", ylabel="a-axis share / %")
    against.set_title("goes with, not caused by", loc="left", fontsize=10, color=MUTED)
    return finish(figure, folder, "trend_of_a_line")


if __name__ == "__main__":
    main(folder_of("out"))
