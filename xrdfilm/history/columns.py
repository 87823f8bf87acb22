"""The figures of one quantity over the films of a run, as arrays, and packed into bytes.

A trend reads one quantity over many runs, so a run keeps each quantity in one piece: columns of
IEEE doubles (little-endian), their bytes sorted by place and deflated. Nothing is rounded.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.decision.guard import COUNTING_SOURCES
from xrdfilm.errors import HistoryError
from xrdfilm.estimate import Estimate

FIELDS = ("value", "low", "high", "level", "estimate", "sigma")


@dataclass(frozen=True, slots=True)
class Columns:
    """One quantity of N films; every array has shape (N,), NaN where the record has null.

    ``level`` is NaN where the film has no such quantity at all. ``sources`` splits sigma by cause.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray
    level: FloatArray
    estimate: FloatArray
    sigma: FloatArray
    sources: Mapping[str, FloatArray] = field(default_factory=dict)

    @property
    def known(self) -> BoolArray:
        """Which films have the quantity, shape (N,)."""
        return ~np.isnan(self.level)

    @property
    def centre(self) -> FloatArray:
        """The estimate where there is one, else the value; NaN where neither is known."""
        return np.where(np.isnan(self.estimate), self.value, self.estimate)

    @property
    def own_sigma(self) -> FloatArray:
        """The part of sigma that is each film's own, shape (N,).

        Counting noise differs from film to film; an error of the model (structure data, the
        assumed mosaic) moves all films alike and is no scatter. Where the record does not split
        sigma by cause, all of it counts as the film's own.
        """
        named = [self.sources[name] for name in COUNTING_SOURCES if name in self.sources]
        if not named:
            return self.sigma
        squares = np.nansum([part * part for part in named], axis=0)
        stated = np.any([~np.isnan(part) for part in named], axis=0)
        return np.where(stated, np.sqrt(squares), self.sigma)

    def same_as(self, other: Columns) -> bool:
        """Equal to within rounding: a millionth of the figure or of its uncertainty."""
        if set(self.sources) != set(other.sources):
            return False
        slack = 1e-6 * np.nan_to_num(self.sigma)
        for name in FIELDS:
            mine, theirs = getattr(self, name), getattr(other, name)
            if mine.shape != theirs.shape or not np.array_equal(np.isnan(mine), np.isnan(theirs)):
                return False
            with np.errstate(invalid="ignore"):  # inf - inf is NaN, and NaN compares false
                apart = np.abs(mine - theirs) > slack + 1e-6 * np.abs(mine)
            if np.any(apart):
                return False
        return True

    @classmethod
    def of(cls, estimates: Sequence[Estimate | None]) -> Columns:
        """The columns of N films' estimates; None for a film without the quantity."""
        causes = sorted({name for e in estimates if e is not None for name in e.sources})

        def column(name: str) -> FloatArray:
            found = (None if e is None else getattr(e, name) for e in estimates)
            return np.array([np.nan if x is None else float(x) for x in found])

        value, low, high, level, estimate, sigma = (column(name) for name in FIELDS)
        return cls(
            value,
            low,
            high,
            level,
            estimate,
            sigma,
            {
                cause: np.array(
                    [np.nan if e is None else e.sources.get(cause, np.nan) for e in estimates]
                )
                for cause in causes
            },
        )


def pack(columns: Columns) -> bytes:
    """The columns as bytes."""
    arrays = [getattr(columns, name) for name in FIELDS] + list(columns.sources.values())
    table = np.ascontiguousarray(arrays, dtype="<f8")
    by_place = table.view(np.uint8).reshape(table.shape[0], table.shape[1], 8).transpose(0, 2, 1)
    return zlib.compress(by_place.tobytes(), 1)


def unpack(packed: bytes, films: int, causes: Sequence[str]) -> Columns:
    """The columns of ``films`` films; raises HistoryError where the bytes do not fit."""
    rows = len(FIELDS) + len(causes)
    try:
        raw = zlib.decompress(packed)
    except zlib.error as problem:
        raise HistoryError(f"packed figures are damaged ({problem})") from None
    if len(raw) != rows * films * 8:
        raise HistoryError(
            f"packed figures hold {len(raw)} bytes, {rows} columns of {films} films need "
            f"{rows * films * 8}"
        )
    by_place = np.frombuffer(raw, dtype=np.uint8).reshape(rows, 8, films)
    table = np.ascontiguousarray(by_place.transpose(0, 2, 1)).view("<f8").reshape(rows, films)
    value, low, high, level, estimate, sigma = table[: len(FIELDS)]
    sources = {cause: table[len(FIELDS) + i] for i, cause in enumerate(causes)}
    return Columns(value, low, high, level, estimate, sigma, sources)
