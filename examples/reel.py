"""A reel scanned every few metres: which metres may ship, and what that depends on.

python examples/reel.py out
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
    VERDICT,
    film,
    finish,
    folder_of,
    run_toml,
    sheet,
)

from xrdfilm import gather_runs, judge_run, simulate_scan, write_scan
from xrdfilm.history.record import record_of
from xrdfilm.trend.reel_of_run import reel_of_run
from xrdfilm.trend.words import ship_words

LIMITS = """
risk = 0.05
[[limit]]
quantity = "a_axis_fraction"
max = 0.10
"""
EVERY_M, SCANS = 2.5, 33
FATE = {"ship": "pass", "undecided": "undecided", "hold": "fail"}


def a_axis_at(position_m: float) -> float:
    """The truth: a slow wander, and a stretch where the hot zone ran cold."""
    wander = 0.02 + 0.008 * np.sin(position_m / 11.0)
    fault = 0.20 * np.exp(-(((position_m - 47.0) / 4.0) ** 2))
    return float(wander + fault)


def write_reel(folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    scale = None
    for number in range(SCANS):
        position = EVERY_M * number
        share = a_axis_at(position)
        scan, truth = simulate_scan(
            film(c_axis=0.97 - share, a_axis=share, random=0.03), OPTICS, instrument=INSTRUMENT,
            scale=scale, displacement_um=25.0 * np.sin(number), refraction=True, seed=number,
            two_theta_deg=np.arange(20.0, 60.0, 0.02),
        )  # fmt: skip
        scale = truth.scale if scale is None else scale  # one instrument for the whole reel
        write_scan(folder / f"north_{position:05.1f}m.xy", scan)
    (folder / "limits.toml").write_text(LIMITS, encoding="utf-8")
    films = '[films]\ncoupled = "*.xy"\nposition_from = "_(?P<position_m>[0-9.]+)m"\n'
    text = run_toml("N-0413") + '\n[limits]\nfile = "limits.toml"\n\n' + films
    (folder / "run.toml").write_text(text, encoding="utf-8")
    return folder


def main(folder: Path) -> Path:
    [planned] = gather_runs([write_reel(folder / "reel")])
    record = record_of(judge_run(planned, with_pictures=False).result)
    # the line makes no fault shorter than 3 m: no scan can tell that, the user must
    reel = reel_of_run(record, shortest_fault_m=3.0, least_length_m=10.0)
    for sentence in ship_words(reel.ship):
        print(sentence)

    [trace] = reel.traces
    place = np.array([scan.position_m for scan in reel.scans])
    figure, (axes, strip) = sheet(2, 1, 10.0, 4.6, sharex=True, height_ratios=(4.0, 1.0))
    along = np.linspace(place[0], place[-1], 400)
    axes.plot(along, [100.0 * a_axis_at(x) for x in along], color=RUST, linewidth=1.2,
              label="truth")  # fmt: skip
    axes.vlines(place, 100.0 * trace.low, 100.0 * trace.high, color=BLUE, linewidth=3.5, alpha=0.4)
    axes.plot(place, 100.0 * trace.value, "o", color=BLUE, markersize=4, label="scans, 95 %")
    axes.axhline(10.0, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
    axes.text(place[-1], 10.4, "limit", ha="right", color=INK, fontsize=9)
    axes.set_ylabel("a-axis share / %")
    axes.set(xlim=(-1.5, place[-1] + 1.5), ylim=(0.0, 36.0))
    axes.legend(frameon=False, fontsize=9, loc="upper right")
    for segment in reel.ship.segments:
        strip.barh(0.0, segment.length_m, left=segment.start_m, height=0.8, edgecolor="white",
                   color=VERDICT[FATE[segment.fate]])  # fmt: skip
        if segment.length_m > 5.0:
            strip.text(segment.start_m + segment.length_m / 2.0, 0.0, segment.fate, va="center",
                       ha="center", color="white", fontsize=10, weight="bold")  # fmt: skip
        else:
            strip.text(segment.start_m + segment.length_m / 2.0, 0.0, segment.fate, va="center",
                       ha="center", color="white", fontsize=7.5, rotation=90)  # fmt: skip
    strip.set_yticks([])
    strip.grid(False)
    strip.spines["left"].set_visible(False)
    strip.set_xlabel("position / m", color=MUTED)
    return finish(figure, folder, "reel")


if __name__ == "__main__":
    main(folder_of("out"))
