"""Films quenched at different times: growth rate, incubation, and the line speed they allow.

python examples/quench_series.py out
"""

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
    quiet,
    run_toml,
    tape,
)

from xrdfilm import gather_runs, load_phase, simulate_scan, write_scan
from xrdfilm.fluoride.conversion import volume_ratio
from xrdfilm.kinetics.observe import observe_run
from xrdfilm.kinetics.outcome import evaluate
from xrdfilm.planning.speed import GrowthFigures, plan_speed, speed_curves
from xrdfilm.simulate import fluoride

THICKNESS_NM, RATE_NM_S, INCUBATION_S = 800.0, 0.6, 240.0  # the truth
TIMES_MIN = (3, 6, 9, 12, 15, 18, 21, 24, 30)


def quenched(conversion: float):
    """A film of this conversion: its barium is film or fluoride."""
    left = volume_ratio() * (1.0 - conversion)
    share = min(left / (conversion + left), 0.998)
    part = fluoride(load_phase("BaF2"), share, mosaic_fwhm_deg=4.5)
    stack = tape(THICKNESS_NM * (conversion + left))
    return film(stack, minor=(part,) if share > 0.0 else ())


def write_series(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    scale = None
    tables = ["[reference]", 'unconverted = "dried.xy"', 'finished = "finished.xy"']
    times = {"finished": 1e9, "dried": 0.0, **{f"q{t:02d}": t * 60.0 for t in TIMES_MIN}}
    for seed, (name, time_s) in enumerate(times.items()):
        conversion = float(np.clip((time_s - INCUBATION_S) * RATE_NM_S / THICKNESS_NM, 0.0, 1.0))
        scan, truth = simulate_scan(
            quenched(conversion), OPTICS, instrument=INSTRUMENT, counts=15_000.0, scale=scale,
            refraction=True, seed=seed, two_theta_deg=np.arange(20.0, 62.0, 0.03),
        )  # fmt: skip
        scale = truth.scale if scale is None else scale
        write_scan(folder / f"{name}.xy", scan)
        if name.startswith("q"):
            tables += ["", "[[film]]", f'id = "{name}"', f"time_min = {time_s / 60.0:g}",
                       f'coupled = "{name}.xy"']  # fmt: skip
    text = run_toml("N-0420", water_vapour_mbar=23.0) + "\n" + "\n".join(tables) + "\n"
    (folder / "run.toml").write_text(text, encoding="utf-8")
    return folder


def main(folder: Path) -> Path:
    [planned] = gather_runs([write_series(folder / "series")])
    observed = observe_run(planned, order="mixed")  # the simulated films are mixed throughout
    outcome = evaluate(observed.sides, name=planned.run_id, notes=observed.notes)
    told = outcome.told
    rate, incubation = told.speed_nm_s, told.incubation_s
    print(told.text)

    figures = GrowthFigures(
        (rate.low, rate.value, rate.high), (incubation.low, incubation.value, incubation.high)
    )
    plan = plan_speed(figures, thickness_nm=THICKNESS_NM, hot_zone_m=6.0, margin=0.1)
    print(f"{plan.speed_m_h:.1f} m/h for {THICKNESS_NM:g} nm in a hot zone of 6 m")

    from xrdfilm.kinetics.figure import draw_series

    figure = draw_series(outcome)
    figure.set_size_inches(10.0, 4.6)
    growth = figure.axes[0]
    growth.set_title("Conversion by fluoride left and by film grown", loc="left", fontsize=10.5,
                     color=INK)  # fmt: skip
    grid = figure.add_gridspec(1, 2, width_ratios=(1.35, 1.0))
    growth.set_subplotspec(grid[0, 0])
    axes = figure.add_subplot(grid[0, 1])
    quiet(axes)
    curves = speed_curves(plan)
    for zone, bound, best in zip(
        curves.hot_zones_m, curves.speed_m_h, curves.speed_at_best_m_h, strict=True
    ):
        chosen = zone == 6.0
        colour = BLUE if chosen else "#aab4bf"
        axes.plot(curves.thickness_nm, bound, color=colour, linewidth=2.0 if chosen else 1.2)
        axes.plot(curves.thickness_nm, best, color=colour, linewidth=0.8, linestyle=(0, (2, 2)))
        axes.text(curves.thickness_nm[-1], bound[-1], f" {zone:g} m", color=MUTED, fontsize=8.5,
                  va="center")  # fmt: skip
    axes.plot(THICKNESS_NM, plan.speed_m_h, "o", color=RUST, markersize=7, zorder=4)
    axes.set_yscale("log")
    axes.set_yticks([2, 5, 10, 20, 50], ["2", "5", "10", "20", "50"])
    axes.tick_params(axis="y", which="minor", length=0, labelleft=False)
    axes.set_title("Line speed by hot zone: lower bound, dots: middle", loc="left", fontsize=10.5,
                   color=INK)  # fmt: skip
    axes.set(xlabel="film thickness / nm", ylabel="line speed / m h⁻¹")
    return finish(figure, folder, "quench_series")


if __name__ == "__main__":
    main(folder_of("out"))
