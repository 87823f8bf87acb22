"""Reading a phase from a CIF, the crystallographers' open standard.

Besides the core dictionary's names (International Tables for Crystallography Vol. G, 2005) the
files of reference_peaks carry a few of our own, all beginning with ``_xrdfilm_``: key, role,
standing, where the numbers were read, and the law of a solid solution's cell. Any CIF that holds
a cell, a space group and atoms can be used; one that contradicts itself is refused.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import gemmi
import numpy as np
from gemmi import cif

from xrdfilm.crystal.cif_block import CifBlock, read_block
from xrdfilm.crystal.phase_checks import check_contacts, check_formula, fitted_to_metric
from xrdfilm.crystal.structure import Cell, CellLaw, Phase, Site
from xrdfilm.errors import PhaseError

DEFAULT_B_ISO_A2 = 0.5
"""Displacement parameter where a CIF gives none; common size for oxides at room temperature."""

_SPACE_GROUP_TAGS = (
    "_space_group_name_H-M_alt",
    "_symmetry_space_group_name_H-M",
    "_space_group.name_H-M_alt",
)
_OPERATION_TAGS = ("_space_group_symop_operation_xyz", "_symmetry_equiv_pos_as_xyz")
_HALL_TAGS = ("_space_group_name_Hall", "_symmetry_space_group_name_Hall")
_CELL_TAGS = ("length_a", "length_b", "length_c", "angle_alpha", "angle_beta", "angle_gamma")


def phase_from_cif(path: str | Path, key: str | None = None) -> Phase:
    """Read the first structure of a CIF.

    ``key`` names the phase; without it the file's own key or its stem does. Raises PhaseError,
    with the line where there is one, for a file that is no CIF, lacks cell, space group or
    atoms, or contradicts itself: a cell that breaks its space group, atoms on top of each
    other, a formula that the atoms do not add up to.
    """
    return _Reader(read_block(Path(path), "_cell_length_a")).phase(key)


@dataclass(slots=True)
class _Reader:
    """What one block of a CIF says of a phase."""

    read: CifBlock

    def phase(self, key: str | None) -> Phase:
        cell = self.cell()
        symbols = self.space_groups()
        sites, assumed = self.sites()
        text = self.read.text
        name = text("_chemical_name_systematic") or text("_chemical_name_common")
        formula, units = text("_chemical_formula_sum"), text("_cell_formula_units_Z")
        if not sites and (formula is None or units is None):
            self.read.fail(
                "no atoms (_atom_site_fract_x), and no formula with _cell_formula_units_Z either"
            )
        phase = Phase(
            key=key or text("_xrdfilm_key") or self.read.file.stem,
            name=name or formula or self.read.file.stem,
            formula=formula or "",
            role=text("_xrdfilm_role") or "user",
            cell=cell,
            space_group=symbols[0],
            sites=sites,
            formula_units=self.formula_units(),
            source=text("_publ_section_references") or f"read from {self.read.file.name}",
            standing=text("_xrdfilm_standing") or "user",
            cell_verified=text("_xrdfilm_cell_verified") == "yes",
            other_roles=tuple((text("_xrdfilm_other_roles") or "").split()),
            note=" ".join(filter(None, (text("_publ_section_comment"), assumed))),
            read_in=tuple(
                " ".join(cif.as_string(raw).split()) for raw in self.read.column("_xrdfilm_read_in")
            ),
            cell_law=self.cell_law(),
        )
        phase = fitted_to_metric(phase, self.read)
        if len(symbols) == 1:
            return self.checked(phase)
        return self.with_right_origin(phase, symbols)

    def checked(self, phase: Phase) -> Phase:
        check_contacts(phase, self.read)
        return check_formula(phase, self.read)

    def with_right_origin(self, phase: Phase, symbols: tuple[str, ...]) -> Phase:
        """The one origin choice under which the structure holds together."""
        passed: list[Phase] = []
        problems: list[PhaseError] = []
        for symbol in symbols:
            try:
                passed.append(self.checked(replace(phase, space_group=symbol)))
            except PhaseError as problem:
                problems.append(problem)
        if not passed:
            raise problems[0]
        if len(passed) > 1:
            self.read.fail(
                f"the origin choice is not stated and both would do; write {symbols[0]!r} or "
                f"{symbols[1]!r}, or list the symmetry operations",
                next(tag for tag in _SPACE_GROUP_TAGS if self.read.text(tag)),
            )
        taken = f"Origin choice not stated: {passed[0].space_group!r} is the one that fits."
        return replace(passed[0], note=" ".join(filter(None, (passed[0].note, taken))))

    def cell(self) -> Cell:
        values = [self.read.number(f"_cell_{tag}") for tag in _CELL_TAGS]
        for tag, value in zip(_CELL_TAGS, values, strict=True):
            low, high = (1.0, 200.0) if tag.startswith("length") else (20.0, 160.0)
            if not low < value < high:
                self.read.fail(
                    f"_cell_{tag} = {value:g} is not within {low:g} to {high:g} "
                    f"{'Å' if tag.startswith('length') else 'degrees'}",
                    f"_cell_{tag}",
                )
        cell = Cell(*values)
        if not np.linalg.det(cell.metric) > 1e-6 * (cell.a_A * cell.b_A * cell.c_A) ** 2:
            self.read.fail(
                "the cell's angles "
                f"{cell.alpha_deg:g} {cell.beta_deg:g} {cell.gamma_deg:g}° enclose no volume",
                "_cell_angle_alpha",
            )
        return cell

    def formula_units(self) -> int:
        tag = "_cell_formula_units_Z"
        if self.read.text(tag) is None:
            return 1
        value = self.read.number(tag)
        if value < 1 or abs(value - round(value)) > 1e-6:
            self.read.fail(f"{tag} is {value:g}; it must be a whole number above 0", tag)
        return round(value)

    def space_groups(self) -> tuple[str, ...]:
        """The space group; two where the origin choice is not stated."""
        operations = self.operations()
        named = next(((t, s) for t in _SPACE_GROUP_TAGS if (s := self.read.text(t))), None)
        group = self.named_group(named[1]) if named else None
        if operations is not None:
            by_operations = gemmi.find_spacegroup_by_ops(operations)
            if by_operations is None:
                self.read.fail("the symmetry operations form no known space group")
            if named is not None and group is not None and group.number != by_operations.number:
                self.read.fail(
                    f"space group {named[1]!r} is number {group.number}, but the listed "
                    f"operations are those of {by_operations.xhm()!r} "
                    f"(number {by_operations.number})",
                    named[0],
                )
            return (str(by_operations.xhm()),)  # the operations settle the setting
        if named is None:
            self.read.fail("no space group: neither a Hermann-Mauguin symbol nor operations")
        if group is None:
            self.read.fail(
                f"unknown space group {named[1]!r}; write it like 'P m m m' or 'F d -3 m:2'",
                named[0],
            )
        if group.ext in ("1", "2") and ":" not in named[1]:
            return (f"{group.hm}:1", f"{group.hm}:2")
        return (str(group.xhm()),)

    def named_group(self, symbol: str) -> gemmi.SpaceGroup | None:
        # the angles tell hexagonal from rhombohedral axes where the symbol does not
        alpha, gamma = (self.read.number(f"_cell_angle_{name}") for name in ("alpha", "gamma"))
        return gemmi.find_spacegroup_by_name(symbol, alpha, gamma)

    def operations(self) -> gemmi.GroupOps | None:
        """Symmetry operations as listed, or as a Hall symbol; None where there is neither."""
        for tag in _OPERATION_TAGS:
            listed = self.read.column(tag)
            if listed:
                try:
                    return gemmi.GroupOps([gemmi.Op(cif.as_string(op)) for op in listed])
                except (RuntimeError, ValueError) as error:
                    self.read.fail(f"a symmetry operation cannot be read: {error}", tag)
        for tag in _HALL_TAGS:
            hall = self.read.text(tag)
            if hall:
                try:
                    return gemmi.symops_from_hall(hall)
                except (RuntimeError, ValueError) as error:
                    self.read.fail(f"the Hall symbol {hall!r} cannot be read: {error}", tag)
        return None

    def sites(self) -> tuple[tuple[Site, ...], str]:
        labels = self.read.column("_atom_site_label")
        symbols = self.read.column("_atom_site_type_symbol")
        places = [self.read.column(f"_atom_site_fract_{axis}") for axis in "xyz"]
        if not places[0]:
            return (), ""
        for axis, column in zip("xyz", places, strict=True):
            if len(column) != len(places[0]):
                self.read.fail(f"_atom_site_fract_{axis} is missing beside _atom_site_fract_x")
        names = [cif.as_string(raw) for raw in (labels or symbols)]
        if not names:
            self.read.fail("atoms have neither _atom_site_label nor _atom_site_type_symbol")
        occupancies = self.read.column("_atom_site_occupancy")
        b_iso, assumed = self.displacements(names)
        sites = []
        for i, label in enumerate(names):
            coordinates = [float(cif.as_number(column[i])) for column in places]
            if not all(math.isfinite(x) for x in coordinates):
                found = " ".join(column[i] for column in places)
                self.read.fail(
                    f"atom {label}: coordinates {found} are not numbers", "_atom_site_fract_x"
                )
            occupancy = float(cif.as_number(occupancies[i])) if occupancies else 1.0
            occupancy = 1.0 if math.isnan(occupancy) else occupancy
            if not 0.0 <= occupancy <= 1.0:
                self.read.fail(
                    f"atom {label}: occupancy {occupancy:g} is not within 0 to 1",
                    "_atom_site_occupancy",
                )
            element = self.element(cif.as_string(symbols[i]) if symbols else label, label)
            x, y, z = coordinates
            sites.append(Site(label, element, x, y, z, occupancy, b_iso[i]))
        return tuple(sites), assumed

    def element(self, symbol: str, label: str) -> str:
        match = re.match(r"[A-Za-z]{1,2}", symbol)
        letters = match.group().capitalize() if match else ""
        for candidate in (letters, letters[:1]):
            if candidate == "D":
                candidate = "H"
            if candidate and gemmi.Element(candidate).atomic_number > 0:
                return candidate
        self.read.fail(
            f"atom {label}: {symbol!r} is no element",
            "_atom_site_type_symbol" if self.read.column("_atom_site_type_symbol") else None,
        )

    def displacements(self, names: list[str]) -> tuple[list[float], str]:
        b_raw = self.read.column("_atom_site_B_iso_or_equiv")
        u_raw = self.read.column("_atom_site_U_iso_or_equiv")
        b_of_u = 8.0 * math.pi**2
        tensors = {
            cif.as_string(label): b_of_u * float(np.mean([cif.as_number(u) for u in row]))
            for label, *row in zip(
                self.read.column("_atom_site_aniso_label"),
                *(self.read.column(f"_atom_site_aniso_U_{ii}") for ii in ("11", "22", "33")),
                strict=False,
            )
        }
        values, without = [], []
        for i, label in enumerate(names):
            b = float(cif.as_number(b_raw[i])) if b_raw else math.nan
            if math.isnan(b) and u_raw:
                b = b_of_u * float(cif.as_number(u_raw[i]))
            if math.isnan(b):
                b = tensors.get(label, math.nan)
            if math.isnan(b):
                without.append(label)
                b = DEFAULT_B_ISO_A2
            if not -0.5 < b < 15.0:
                self.read.fail(
                    f"atom {label}: B = {b:.3g} Å² is not within 0 to 15; is it U (Å²) or nm²?",
                    "_atom_site_B_iso_or_equiv" if b_raw else "_atom_site_U_iso_or_equiv",
                )
            values.append(b)
        if not without:
            return values, ""
        return values, f"No B given for {', '.join(without)}: {DEFAULT_B_ISO_A2} Å² assumed."

    def cell_law(self) -> CellLaw | None:
        variable = self.read.text("_xrdfilm_cell_law_variable")
        if variable is None:
            return None
        return CellLaw(
            variable=variable,
            a0_A=self.read.number("_xrdfilm_cell_law_a0"),
            slope_A=self.read.number("_xrdfilm_cell_law_slope"),
            low=self.read.number("_xrdfilm_cell_law_low"),
            high=self.read.number("_xrdfilm_cell_law_high"),
            uncertainty_A=self.read.number("_xrdfilm_cell_law_uncertainty"),
            host=self.read.text("_xrdfilm_cell_law_host") or "",
            guest=self.read.text("_xrdfilm_cell_law_guest") or "",
            per_unit=self.read.number("_xrdfilm_cell_law_per_unit"),
            extra=self.read.text("_xrdfilm_cell_law_extra"),
        )
