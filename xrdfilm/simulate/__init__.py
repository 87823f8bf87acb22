"""Simulated scans with a known truth: stack, optics and orientation to counts.

    >>> from xrdfilm.crystal import load_phase
    >>> from xrdfilm.intensity.optics import Optics
    >>> from xrdfilm.simulate import SimulatedFilm, simulate_scan
    >>> from xrdfilm.intensity.stack import Layer, Stack
    >>> stack = Stack(Layer(load_phase("YBCO"), 800.0), (), Layer(load_phase("SrTiO3"), None))
    >>> scan, truth = simulate_scan(SimulatedFilm(stack=stack), Optics(), counts=30_000, seed=1)

It shares crystal structures, optics and the intensity model with the analysis, but none of the
code that fits.
"""

from xrdfilm.simulate.coupled import grid, simulate_scan
from xrdfilm.simulate.film import (
    CRYSTAL,
    TAPE,
    BufferTexture,
    Constituent,
    Grains,
    Minor,
    SimulatedFilm,
    SubstrateTexture,
    fluoride,
)
from xrdfilm.simulate.instrument import (
    NO_GHOSTS,
    Background,
    Breadth,
    Detector,
    Ghosts,
    Hump,
    Instrument,
)
from xrdfilm.simulate.texture import (
    TextureTruth,
    simulate_azimuth,
    simulate_rocking,
    simulate_tilt,
)
from xrdfilm.simulate.truth import TrueLine, Truth

__all__ = [
    "CRYSTAL",
    "NO_GHOSTS",
    "TAPE",
    "Background",
    "Breadth",
    "BufferTexture",
    "Constituent",
    "Detector",
    "Ghosts",
    "Grains",
    "Hump",
    "Instrument",
    "Minor",
    "SimulatedFilm",
    "SubstrateTexture",
    "TextureTruth",
    "TrueLine",
    "Truth",
    "fluoride",
    "grid",
    "simulate_azimuth",
    "simulate_rocking",
    "simulate_scan",
    "simulate_tilt",
]
