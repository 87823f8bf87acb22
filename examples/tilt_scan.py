"""A tilt scan of (102): the a-axis share where the stack hides (200), and what goes into it.

python examples/tilt_scan.py out
"""

from pathlib import Path

import numpy as np
from scenario import BLUE, INK, MOSS, OPTICS, RUST, film, finish, folder_of, sheet, tape

from xrdfilm import read_scan, write_scan
from xrdfilm.simulate import simulate_tilt
from xrdfilm.texture.tilt import TiltGeometry, tilt_factors, tilt_scan_orientation


def main(folder: Path) -> Path:
    made = film(c_axis=0.84, a_axis=0.12, random=0.04)
    scan, truth = simulate_tilt(made, OPTICS, (1, 0, 2), twist_fwhm_deg=5.8, counts=4000.0, seed=3)
    write_scan(folder / "chi102.xy", scan)

    scan = read_scan(folder / "chi102.xy", axis="chi")
    stack = tape()
    geometry = TiltGeometry(
        "spinning", (1, 0, 2), two_theta_acceptance_deg=0.8, in_plane_fwhm_deg=5.8,
        out_of_plane_fwhm_deg=4.5,
    )  # fmt: skip
    phase = stack.film.phase
    found, fitted = tilt_scan_orientation(
        scan.axis_deg, scan.counts, phase, OPTICS, stack, geometry
    )
    factors = tilt_factors(phase, OPTICS, stack, geometry)

    figure, (axes, steps) = sheet(1, 2, 10.5, 4.6, width_ratios=(1.5, 1.0))
    axes.plot(scan.axis_deg, scan.counts, ".", color="#b9bcc4", markersize=4, label="scan")
    axes.plot(scan.axis_deg, fitted.fitted, color=BLUE, linewidth=1.5, label="fit")
    for name, colour in (("c_axis", MOSS), ("a_axis", RUST)):
        curve = truth.by_component[name] + truth.background_counts
        axes.plot(scan.axis_deg, curve, color=colour, linewidth=1.0, linestyle=(0, (4, 2)),
                  label=f"truth: {name.replace('_', '-')} grains")  # fmt: skip
    axes.set(xlabel="tilt χ / °", ylabel="counts")
    axes.set_yscale("log")
    axes.legend(frameon=False, fontsize=9, loc="upper left")

    # the same two areas, factor by factor
    ratio = fitted.area_a / fitted.area_c
    rows = [("areas as they are", ratio)]
    for label, factor in (
        ("× poles a grain", factors.poles), ("× absorption path", factors.path),
        ("× azimuth spread", factors.azimuth),
    ):  # fmt: skip
        ratio *= factor
        rows.append((f"{label} {factor:.2f}", ratio))
    share = [100.0 * r / (1.0 + r) for _, r in rows]
    steps.barh(np.arange(len(rows)), share, color="#cfd8e0", height=0.6)
    steps.barh([len(rows) - 1], [share[-1]], color=BLUE, height=0.6)
    steps.plot([100.0 * found.a_axis.low, 100.0 * found.a_axis.high], [len(rows) - 1] * 2,
               color=INK, linewidth=2)  # fmt: skip
    made_of_two = 100.0 * made.a_axis / (made.a_axis + made.c_axis)
    steps.axvline(made_of_two, color=RUST, linewidth=1.3)
    steps.text(made_of_two, -0.62, " truth", color=RUST, fontsize=9)
    steps.set_yticks(range(len(rows)), [label for label, _ in rows])
    steps.set_ylim(len(rows) - 0.4, -0.9)
    steps.set_xlabel("a-axis share of a- and c-axis grains / %")
    steps.grid(False, axis="y")
    print(f"a-axis share {100 * found.a_axis.value:.1f} % "
          f"({100 * found.a_axis.low:.1f} to {100 * found.a_axis.high:.1f}), truth 12 %")  # fmt: skip
    return finish(figure, folder, "tilt_scan")


if __name__ == "__main__":
    main(folder_of("out"))
