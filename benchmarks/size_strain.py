"""Do the intervals of size and strain hold the truth? From counts to a Williamson-Hall line.

    python benchmarks/size_strain.py [powders]

CeO2 powders of 30 to 200 nm, half of them with a strain of 2·10⁻⁴ to 3·10⁻³, 2·10⁴ counts at the
top; each with a standard of 10⁵ counts for the instrument's curve. The simulated Lorentzian FWHM
are 0.9 λ/(L cosθ) and 4 e tanθ; integral breadths are π/2 of them.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np

from xrdfilm.crystal import line_list, load_phase
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lattice.breadth import InstrumentCurve, fit_instrument_curve, sample_breadth
from xrdfilm.lattice.identify import ExpectedLines
from xrdfilm.lattice.powder_lattice import instrument_of_standard, refine_powder_lattice
from xrdfilm.lattice.size_strain import WilliamsonHall, williamson_hall
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, grid, simulate_scan

OPTICS = Optics()
EXPECTED = ExpectedLines.of(line_list(load_phase("CeO2"), OPTICS.radiation), cell_freedom=0.002)


def powder(size_nm: float, strain: float, counts: float, seed: int) -> Scan:
    """A scan of a thick layer of random grains."""
    film = SimulatedFilm(
        stack=Stack(Layer(load_phase("CeO2"), 20_000.0), (), None),
        c_axis=0.0,
        a_axis=0.0,
        random=1.0,
        film_size_nm=size_nm,
        film_microstrain=strain,
    )
    angles = grid(20.0, 120.0, 0.02)
    scan, _ = simulate_scan(film, OPTICS, counts=counts, two_theta_deg=angles, seed=seed)
    return scan


def instrument_curve(seed: int) -> InstrumentCurve:
    """The curve from a standard without size or strain."""
    scan = powder(5000.0, 0.0, 1e5, seed)
    _, lines = instrument_of_standard(scan, replace(EXPECTED, cell_freedom=0.0), OPTICS)
    return fit_instrument_curve(
        np.array([line.two_theta_deg for line in lines]),
        np.array([line.fwhm_deg for line in lines]),
        np.array([line.fwhm_sigma_deg for line in lines]),
        np.array([line.lorentz_fraction for line in lines]),
    )


def size_and_strain(scan: Scan, curve: InstrumentCurve) -> WilliamsonHall:
    """From counts to the Williamson-Hall line."""
    lines = refine_powder_lattice(scan, EXPECTED, OPTICS, system="cubic").used
    breadths = [
        sample_breadth(
            line.two_theta_deg, line.fwhm_deg, line.fwhm_sigma_deg, line.lorentz_fraction, curve
        )
        for line in lines
    ]
    wavelength_A = OPTICS.radiation.k_alpha1_A
    return williamson_hall(breadths, wavelength_A, k=0.9 * np.pi / 2, k_sigma=0.0)


def main() -> None:
    """Draw powders and count."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("powders", nargs="?", type=int, default=200)
    count = parser.parse_args().powders
    rng = np.random.default_rng(3)
    held, off = [], []
    for number in range(count):
        curve = instrument_curve(5000 + number)
        size = float(np.exp(rng.uniform(np.log(30.0), np.log(200.0))))
        strain = float(rng.integers(2) * rng.uniform(2e-4, 3e-3))
        found = size_and_strain(powder(size, strain, 2e4, 9000 + number), curve)
        truth = strain * np.pi / 2
        of_size, of_strain = found.size_nm, found.microstrain
        assert of_size.low is not None
        assert of_strain.low is not None
        held.append(
            (
                of_size.low <= size <= (np.inf if of_size.high is None else of_size.high),
                of_strain.low <= truth <= (np.inf if of_strain.high is None else of_strain.high),
            )
        )
        if of_size.value is not None:
            off.append((of_size.value / size - 1.0, (of_strain.estimate or 0.0) - truth))
    share, (size_rms, strain_rms) = np.mean(held, axis=0), np.sqrt(np.mean(np.square(off), axis=0))
    print(f"size:   held {share[0]:.1%} of {count}, rms error {size_rms:.1%} of {len(off)} told")
    print(f"strain: held {share[1]:.1%} of {count}, rms error {strain_rms:.1e}")


if __name__ == "__main__":
    main()
