"""One film, from its scan file to shares, fluoride and cell, each with its interval.

python examples/one_film.py out
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
)

from xrdfilm import (
    FilmInput,
    analyse_films,
    film_record,
    load_phase,
    premises_of,
    read_run_file,
    read_scan,
    simulate_scan,
    write_scan,
)
from xrdfilm.analysis.film_picture import film_picture
from xrdfilm.simulate import fluoride


def main(folder: Path) -> Path:
    # a film that is not quite finished, and sits 60 µm too low
    minor = fluoride(load_phase("BaF2"), 0.02, "aligned_111", mosaic_fwhm_deg=4.5)
    made = film(c_axis=0.85, a_axis=0.12, random=0.03, minor=(minor,))
    scan, truth = simulate_scan(
        made, OPTICS, instrument=INSTRUMENT, displacement_um=60.0, refraction=True, seed=7
    )
    write_scan(folder / "film.xy", scan)
    (folder / "run.toml").write_text(run_toml(), encoding="utf-8")

    # what a user does: read, state the premises, analyse
    scan = read_scan(folder / "film.xy")
    premises = premises_of(read_run_file(folder / "run.toml"), scan)
    [analysis] = analyse_films([FilmInput("N-0412-01", premises, coupled=scan)])
    record = film_record(analysis, limits=None)

    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.0, 6.4), layout="constrained", facecolor="white")
    above, below = figure.subfigures(2, 1, height_ratios=(1.65, 1.0))
    axes = above.subplots()
    quiet(axes)
    picture = film_picture(analysis)
    axes.plot(picture.two_theta_deg, np.sqrt(picture.counts), color="#b9bcc4", linewidth=0.7)
    axes.plot(picture.two_theta_deg, np.sqrt(picture.fitted), color=BLUE, linewidth=1.0)
    axes.plot(picture.two_theta_deg, np.sqrt(picture.background), color=MUTED, linewidth=0.7,
              linestyle=(0, (4, 3)))  # fmt: skip
    top = float(np.sqrt(picture.counts.max()))
    named: list[float] = []
    for line in sorted(record.lines, key=lambda line: -line.area.value):
        place = line.two_theta_deg.value
        crowded = any(abs(place - other) < 0.7 for other in named)  # the stronger one gets the name
        if line.significance > 40 and not crowded:
            named.append(place)
            height = float(np.sqrt(picture.counts[abs(picture.two_theta_deg - place) < 0.3].max()))
            axes.annotate(
                f"{line.phase} ({''.join(map(str, line.hkl))})", (place, height + 0.02 * top),
                rotation=90, ha="center", va="bottom", fontsize=7.5,
                color={"YBCO": INK, "BaF2": RUST}.get(line.phase, MUTED),
            )  # fmt: skip
    axes.set(xlim=(12, 80), ylim=(0, 1.3 * top), xlabel="2θ / °", ylabel="√counts")
    axes.set_title("The scan (root of counts) with its fit and the broad background; fluoride is fitted apart", loc="left",
                   fontsize=10.5, color=INK)  # fmt: skip

    shares, remains, cell = below.subplots(1, 3, width_ratios=(1.5, 1.0, 1.2))
    quiet(shares), quiet(remains), quiet(cell)
    found = record.orientation
    intervals(shares, [
        ("c-axis", found.c_axis, made.c_axis), ("a-axis", found.a_axis, made.a_axis),
        ("random", found.random, made.random),
    ], 100.0)  # fmt: skip
    shares.set_xlabel("share of the film / %")
    left = record.fluoride
    intervals(remains, [("fluoride left", left.volume_fraction_aligned, 0.02)], 100.0)
    remains.set_xlabel("vol%")
    remains.set_xlim(left=0.0)
    true_c = made.film_phase.cell.c_A
    intervals(cell, [("c", record.lattice.c_A, true_c)], 1.0)
    cell.set_xlabel("Å")
    cell.ticklabel_format(axis="x", useOffset=False)
    cell.locator_params(axis="x", nbins=4)
    below.suptitle("What it says (bar: 95 %), and the truth (triangle)", x=0.01, ha="left",
                   fontsize=10.5, color=INK)  # fmt: skip
    off = record.lattice.displacement_um
    print(f"displacement {off.low:.0f} to {off.high:.0f} µm, truth {truth.displacement_um:.0f} µm")
    return finish(figure, folder, "one_film")


def intervals(axes, rows, scale):
    """A bar for each interval, a dot for the value, a triangle for the truth."""
    for height, (_, quantity, truth) in enumerate(rows):
        axes.plot([quantity.low * scale, quantity.high * scale], [height, height], color=BLUE,
                  linewidth=5, alpha=0.35, solid_capstyle="butt")  # fmt: skip
        if quantity.value is not None:
            axes.plot(quantity.value * scale, height, "o", color=BLUE, markersize=5)
        axes.plot(truth * scale, height + 0.24, "^", color=RUST, markersize=6)
    axes.set_yticks(range(len(rows)), [name for name, *_ in rows])
    axes.set_ylim(len(rows) - 0.3, -0.7)
    axes.grid(False, axis="y")


if __name__ == "__main__":
    main(folder_of("out"))
