"""A run judged by a limit file: which films pass, and how far each figure is from its limit.

python examples/run_with_limits.py out
"""

from pathlib import Path

from scenario import BLUE, INK, MUTED, RUST, VERDICT, finish, folder_of, sheet

from xrdfilm import gather_runs, judge_run, write_report
from xrdfilm.demo import write_demo

SHOWN = (
    ("fluoride_volume_fraction_aligned", "fluoride left, aligned / vol%", 100.0, 30.0),
    ("a_axis_fraction", "a-axis share / %", 100.0, 60.0),
    ("c_A", "c / Å", 1.0, None),
)


def main(folder: Path) -> Path:
    [planned] = gather_runs([write_demo(folder / "run")])
    judged = judge_run(planned)
    paths = write_report(judged.result, judged.pictures, planned.out_dir, pdf=False)
    print(f"report: {paths.index.relative_to(folder)}")

    films = judged.result.films
    figure, panels = sheet(1, 3, 10.0, 5.2, sharey=True)
    for axes, (quantity, label, scale, most) in zip(panels, SHOWN, strict=True):
        limits = set()
        for row, film in enumerate(films):
            reasons = [r for r in film.reasons if r.quantity == quantity]
            limits |= {r.limit["max"] * scale for r in reasons}
            if reasons and reasons[0].low is not None:
                reason = reasons[0]
                axes.plot([reason.low * scale, reason.high * scale], [row, row], linewidth=4,
                          color=BLUE, alpha=0.45, solid_capstyle="butt")  # fmt: skip
                if reason.value is not None:
                    axes.plot(reason.value * scale, row, "o", color=BLUE, markersize=4.5)
        for limit in limits:
            axes.axvline(limit, color=RUST, linewidth=1.3)
            axes.text(limit, -0.75, f" {limit:g}", color=RUST, fontsize=8.5, ha="left")
        axes.set_xlabel(label)
        axes.grid(False, axis="y")
        if most is not None:
            axes.set_xlim(0.0, most)
    panels[2].ticklabel_format(axis="x", useOffset=False)
    panels[2].locator_params(axis="x", nbins=4)
    panels[0].set_yticks(range(len(films)), [film.film for film in films])
    panels[0].set_ylim(len(films) - 0.4, -1.0)
    for row, film in enumerate(films):
        grade = f" ({film.grade})" if film.grade else ""
        panels[2].annotate(
            film.verdict + grade, (1.03, row), xycoords=("axes fraction", "data"), fontsize=9,
            va="center", color=VERDICT[film.verdict], weight="bold",
        )  # fmt: skip
    figure.suptitle("Run K-0317: bar 95 % interval, line the limit", x=0.01, ha="left",
                    fontsize=10.5, color=INK)  # fmt: skip
    panels[1].tick_params(axis="y", color=MUTED)
    return finish(figure, folder, "run_with_limits")


if __name__ == "__main__":
    main(folder_of("out"))
