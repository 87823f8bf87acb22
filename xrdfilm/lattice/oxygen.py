"""Oxygen loading of YBa2Cu3O(x) from c: a hint, given as a range.

c falls by about 0.15 Å from x = 6 to x = 7, so c carries a hint of the oxygen. It carries strain,
cation disorder, copper deficiency and stacking faults as well, and published relations disagree
by some 0.08 in x. The hint is therefore a range: from the disagreement of the relations, from the
uncertainty of c, and from the strain that a film on its substrate may bear. It is no analysis of
oxygen; titration, or T_c, is.

Relations and their standing:

- through published cells: x = 6.00, c = 11.830(4) Å (J. S. Swinnea, H. Steinfink, J. Mater. Res. 2
  (1987) 424, abstract read); x = 6.26, c = 11.7913(10) Å (single-crystal neutrons, 298 K, abstract
  read); x = 6.910(8), c = 11.68349 Å (A. Williams et al., Phys. Rev. B 37 (1988) 7960, table read).
  The middle point lies within 0.02 of the line through the outer two.
- x = 75.250 − 5.856 c: P. Benzi, E. Bottizzo, N. Rizzi, J. Cryst. Growth 269 (2004) 625; the
  coefficients are from memory and unverified.

C. Krüger, K. Conder, H. Schwer, E. Kaldis, J. Solid State Chem. 134 (1997) 356 find that linearity
itself depends on how the sample was made (abstract read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal

# x, its standard uncertainty, c in Å, its standard uncertainty
PUBLISHED_CELLS = (
    (6.00, 0.03, 11.830, 0.004),
    (6.26, 0.02, 11.7913, 0.001),
    (6.91, 0.008, 11.68349, 0.0002),
)
_BENZI_INTERCEPT, _BENZI_SLOPE_PER_A = 75.250, -5.856
OXYGEN_BOUNDS = (6.0, 7.0)
# c of fully loaded and of empty material; outside them the relations say nothing
C_RANGE_A = (11.65, 11.86)
# In-plane strain of a film on its substrate whose cell along the plane is not known: standard
# uncertainty (common practice, no source), and Poisson's ratio of the oxide
IN_PLANE_STRAIN_SIGMA = 1e-3
POISSON_RATIO = 0.3
CAVEAT = (
    "a hint, no analysis: strain, cation disorder, copper deficiency and stacking faults change c "
    "as well, and the published relations disagree by about 0.1"
)


@dataclass(frozen=True, slots=True)
class Relation:
    """x = intercept + slope·c, with c in Å; ``standing`` is "verified" or "memory"."""

    source: str
    standing: str
    intercept: float
    slope_per_A: float

    def oxygen(self, c_A: float) -> float:
        """Oxygen per formula unit at this c, not bounded."""
        return self.intercept + self.slope_per_A * c_A


@dataclass(frozen=True, slots=True)
class OxygenHint:
    """Oxygen per formula unit with its range, what each relation says, and the caveats."""

    oxygen: Estimate
    by_relation: tuple[tuple[Relation, float], ...]
    notes: tuple[str, ...]


def _line_through_published_cells() -> Relation:
    """Least squares of x on c, weighted by both uncertainties."""
    x, x_sigma, c, c_sigma = np.array(PUBLISHED_CELLS).T
    slope = -6.0
    for _ in range(5):  # the weight of c's uncertainty needs the slope
        weight = 1.0 / (x_sigma**2 + (slope * c_sigma) ** 2)
        centre = np.average(c, weights=weight)
        slope = float(np.sum(weight * (c - centre) * x) / np.sum(weight * (c - centre) ** 2))
    intercept = float(np.average(x, weights=weight) - slope * centre)
    return Relation("line through three published cells", "verified", intercept, slope)


def relations() -> tuple[Relation, ...]:
    """The relations in use, best standing first."""
    return (
        _line_through_published_cells(),
        Relation(
            "Benzi, Bottizzo, Rizzi, J. Cryst. Growth 269 (2004) 625",
            "memory",
            _BENZI_INTERCEPT,
            _BENZI_SLOPE_PER_A,
        ),
    )


def c_change_by_strain(
    in_plane_strain: float | FloatArray, c_A: float, poisson_ratio: float = POISSON_RATIO
) -> FloatArray:
    """Change of c in Å, any shape, under strain in the plane: −2ν/(1−ν)·ε·c (isotropic)."""
    factor = -2.0 * poisson_ratio / (1.0 - poisson_ratio)
    return np.asarray(factor * np.asarray(in_plane_strain) * c_A)


def oxygen_hint(
    c: Estimate,
    *,
    rare_earth_c_offset_A: float | None = 0.0,
    in_plane_strain: float = 0.0,
    in_plane_strain_sigma: float = IN_PLANE_STRAIN_SIGMA,
    level: float = DEFAULT_LEVEL,
) -> OxygenHint:
    """Oxygen per formula unit from c of the film.

    ``rare_earth_c_offset_A``: by how much c of the bulk compound with the film's rare earths lies
    above YBa2Cu3O(x) of the same oxygen (0 for Y; from `lattice.solid_solution_cell` for a stated
    mixture; None where unknown). ``in_plane_strain``: strain of the film in its plane where it is
    known, with its standard uncertainty.

    Raises CannotTellError where c is no estimate, the offset is unknown, or c lies outside the
    range of the relations.
    """
    if c.centre is None or c.sigma is None:
        raise CannotTellError("c has no estimate; the oxygen hint needs one")
    if rare_earth_c_offset_A is None:
        raise CannotTellError(
            "the relations of oxygen and c hold for yttrium; for another rare earth state its "
            "composition, so that the bulk cell is known"
        )
    free = c.centre - rare_earth_c_offset_A - float(c_change_by_strain(in_plane_strain, c.centre))
    low_c, high_c = C_RANGE_A
    if not low_c - 3.0 * c.sigma <= free <= high_c + 3.0 * c.sigma:
        raise CannotTellError(
            f"c = {free:.3f} Å (strain taken off) lies outside {low_c}–{high_c} Å, where the "
            "relations of oxygen and c hold: check the alignment, the named lines and the rare "
            "earth"
        )
    told = tuple((relation, relation.oxygen(free)) for relation in relations())
    values = np.array([value for _, value in told])
    slope = float(np.mean([abs(relation.slope_per_A) for relation, _ in told]))
    centre = float(0.5 * (values.max() + values.min()))
    sources = {
        "lattice": slope * c.sigma,
        # anywhere between the relations is as likely: the spread of a rectangle
        "relations": float((values.max() - values.min()) / np.sqrt(12.0)),
        "strain": slope * float(abs(c_change_by_strain(in_plane_strain_sigma, c.centre))),
    }
    sigma = float(np.sqrt(sum(part**2 for part in sources.values())))
    notes = [CAVEAT]
    if in_plane_strain == 0.0:
        notes.append(
            f"the in-plane strain is not known; ±{in_plane_strain_sigma:.1%} of it is in the range"
        )
    unverified = [relation.source for relation, _ in told if relation.standing != "verified"]
    if unverified:
        notes.append(f"coefficients from memory, unverified: {'; '.join(unverified)}")
    if rare_earth_c_offset_A != 0.0:
        notes.append(
            f"{rare_earth_c_offset_A:+.4f} Å of c are laid to the rare earth by the law of Vegard"
        )
    return OxygenHint(
        from_normal(centre, sigma, level=level, bounds=OXYGEN_BOUNDS, sources=sources),
        told,
        tuple(notes),
    )
