"""Fuels as the atoms they are made of, and the air and flue gas that follow from them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from strokecurve.kinematics.errors import KinematicsError

OXYGEN_SHARE = 0.2095
"""Oxygen in dry air by volume; everything else counts as nitrogen."""

ATOMIC_G_MOL: Mapping[str, float] = MappingProxyType(
    {"C": 12.011, "H": 1.008, "O": 15.999, "N": 14.007, "S": 32.06}
)
"""Standard atomic weights, abridged (IUPAC)."""

WATER_G_MOL = 2 * ATOMIC_G_MOL["H"] + ATOMIC_G_MOL["O"]

FORMATION_KJ_MOL: Mapping[str, float] = MappingProxyType(
    {
        "CH4": -74.53,
        "C2H6": -83.78,
        "C3H8": -104.39,
        "C4H10": -130.6,  # mean of both butanes, as gases are seldom analysed for each
        "C5H12": -150.2,  # the same of the pentanes
        "C6H14": -166.94,
        "C2H4": 52.56,
        "C3H6": 20.37,
        "H2": 0.0,
        "CO": -110.53,
        "H2S": -20.6,
        "CO2": -393.51,
        "N2": 0.0,
        "O2": 0.0,
        "H2O": -241.82,
    }
)
"""Heat of formation of each gas at 25 degrees Celsius (tables of the open library ``chemicals``, rounded)."""

_CO2_KJ_MOL, _WATER_KJ_MOL, _SO2_KJ_MOL = -393.51, -285.83, -296.8
LATENT_KJ_MOL = 44.0
"""Heat that a mole of water gives up when it condenses at 25 degrees Celsius."""
_SUM_TOLERANCE = 0.01
"""Shares may miss their sum by this much: analyses are rounded. They are scaled to it."""
_MASS_PARTS = (*ATOMIC_G_MOL, "moisture", "ash")


@dataclass(frozen=True, slots=True)
class Fuel:
    """One unit of fuel: a kmol of a gas, or a kilogram of a liquid or solid.

    Parameters
    ----------
    name : str
        For people.
    carbon, hydrogen, oxygen, nitrogen, sulfur : float
        Atoms, kmol in a unit, those of inert gases and of moisture included.
    gross_mj : float
        Gross (higher) heating value, MJ a unit; NaN if not known.
    gross_estimated : bool
        Whether that was worked out from the composition by a correlation.

    Raises
    ------
    KinematicsError
        If it needs no oxygen: it does not burn.

    Examples
    --------
    >>> round(NATURAL_GAS.air, 3), round(NATURAL_GAS.dry_flue, 3)
    (9.547, 8.547)
    """

    name: str
    carbon: float
    hydrogen: float
    oxygen: float
    nitrogen: float
    sulfur: float
    gross_mj: float = math.nan
    gross_estimated: bool = False

    def __post_init__(self) -> None:
        if not self.oxygen_demand > 0:
            raise KinematicsError(
                f"The fuel {self.name} needs no oxygen, so it does not burn.", "Check its composition."
            )

    @property
    def oxygen_demand(self) -> float:
        """Oxygen for complete combustion, kmol a unit."""
        return self.carbon + self.hydrogen / 4 + self.sulfur - self.oxygen / 2

    @property
    def air(self) -> float:
        """Dry air for complete combustion, kmol a unit (volumes per volume, for a gas)."""
        return self.oxygen_demand / OXYGEN_SHARE

    @property
    def dry_flue(self) -> float:
        """Dry flue gas of complete combustion without excess air, kmol a unit."""
        return self.carbon + self.sulfur + self.nitrogen / 2 + (1 - OXYGEN_SHARE) * self.air

    @property
    def water(self) -> float:
        """Water in the flue gas, kmol a unit."""
        return self.hydrogen / 2

    @property
    def co2_max(self) -> float:
        """Largest share of CO2 in dry flue gas: that without excess air."""
        return self.carbon / self.dry_flue

    @property
    def net_mj(self) -> float:
        """Net (lower) heating value, MJ a unit: all water leaves as vapour."""
        return self.gross_mj - self.water * LATENT_KJ_MOL

    @classmethod
    def from_gases(cls, name: str, shares: Mapping[str, float]) -> Fuel:
        """A gas from the volume shares of its species.

        Parameters
        ----------
        name : str
        shares : mapping of str to float
            Chemical formula to volume share; shares add up to 1, or percentages to 100.

        Returns
        -------
        Fuel

        Raises
        ------
        KinematicsError
            If a species is not known or the shares do not add up.

        Examples
        --------
        >>> round(100 * Fuel.from_gases("gas", {"CH4": 0.95, "C2H6": 0.03, "N2": 0.02}).co2_max, 2)
        11.75
        """
        unknown = [gas for gas in shares if gas not in FORMATION_KJ_MOL]
        if unknown:
            raise KinematicsError(
                f"The gas {unknown[0][:20]!r} in the composition of {name} is not known.",
                f"Known are {', '.join(FORMATION_KJ_MOL)}.",
            )
        parts = _scaled(name, shares)
        atoms = dict.fromkeys(ATOMIC_G_MOL, 0.0)
        gross = 0.0
        for gas, share in parts.items():
            held = _atoms(gas)
            for element, count in held.items():
                atoms[element] += share * count
            gross += share * _heat_of_combustion_kj_mol(gas, held)
        return cls(name, atoms["C"], atoms["H"], atoms["O"], atoms["N"], atoms["S"], gross)

    @classmethod
    def from_mass(cls, name: str, shares: Mapping[str, float], gross_mj_kg: float | None = None) -> Fuel:
        """A liquid or solid from its ultimate analysis, as fired.

        Parameters
        ----------
        name : str
        shares : mapping of str to float
            Mass shares of C, H, O, N, S, moisture and ash; they add up to 1, or percentages to 100.
            H and O are those of the dry substance, without the moisture's.
        gross_mj_kg : float, optional
            Gross heating value as fired; estimated from the composition if not given.

        Returns
        -------
        Fuel

        Raises
        ------
        KinematicsError
            If a part is not known, the shares do not add up, or the heating value is not above 0.

        References
        ----------
        S. A. Channiwala, P. P. Parikh, A unified correlation for estimating HHV of solid, liquid and gaseous
        fuels, Fuel 81 (2002) 1051-1063, doi:10.1016/S0016-2361(01)00131-4 (quoted from memory); stated mean
        error 1.45 %.

        Examples
        --------
        >>> round(LIGHT_OIL.air * 28.97, 1)  # kg of air for a kg of oil
        14.4
        """
        unknown = [part for part in shares if part not in _MASS_PARTS]
        if unknown:
            raise KinematicsError(
                f"The part {unknown[0]!r} in the composition of {name} is not known.",
                f"Known are {', '.join(_MASS_PARTS)}.",
            )
        if gross_mj_kg is not None and not (math.isfinite(gross_mj_kg) and gross_mj_kg > 0):
            raise KinematicsError(
                f"The heating value of {name} is not above 0.", "Give the gross heating value in MJ/kg."
            )
        parts = dict.fromkeys(_MASS_PARTS, 0.0) | _scaled(name, shares)
        atoms = {element: parts[element] / weight for element, weight in ATOMIC_G_MOL.items()}
        water = parts["moisture"] / WATER_G_MOL
        atoms["H"] += 2 * water
        atoms["O"] += water
        estimate = sum(
            factor * parts[part]
            for part, factor in (
                ("C", 34.91),
                ("H", 117.83),
                ("S", 10.05),
                ("O", -10.34),
                ("N", -1.51),
                ("ash", -2.11),
            )
        )
        gross = estimate if gross_mj_kg is None else gross_mj_kg
        estimated = gross_mj_kg is None
        return cls(name, atoms["C"], atoms["H"], atoms["O"], atoms["N"], atoms["S"], gross, estimated)


def _scaled(name: str, shares: Mapping[str, float]) -> dict[str, float]:
    """Shares that add up to exactly 1."""
    for part, share in shares.items():
        if not (math.isfinite(share) and share >= 0):
            raise KinematicsError(
                f"The share of {part} in the composition of {name} is {share:g}.", "Shares are 0 or more."
            )
    total = sum(shares.values())
    whole = 100.0 if total > 2 else 1.0
    if abs(total / whole - 1) > _SUM_TOLERANCE:
        raise KinematicsError(
            f"The shares in the composition of {name} add up to {total:g}.",
            "They must add up to 1, or percentages to 100.",
        )
    return {part: share / total for part, share in shares.items()}


def _atoms(formula: str) -> dict[str, int]:
    """Atoms in a chemical formula without brackets."""
    return {e: int(n or 1) for e, n in re.findall(r"([A-Z])(\d*)", formula)}


def _heat_of_combustion_kj_mol(gas: str, atoms: Mapping[str, int]) -> float:
    """Gross heat of combustion of a gas; for water vapour the heat of condensing."""
    burned = (
        atoms.get("C", 0) * _CO2_KJ_MOL
        + atoms.get("H", 0) / 2 * _WATER_KJ_MOL
        + atoms.get("S", 0) * _SO2_KJ_MOL
    )
    return FORMATION_KJ_MOL[gas] - burned


NATURAL_GAS = Fuel.from_gases("natural gas", {"CH4": 1.0})
"""Taken as methane: published tables for natural gas are met with it, and other pipeline gases differ
little."""
PROPANE = Fuel.from_gases("propane", {"C3H8": 1.0})
LIGHT_OIL = Fuel.from_mass("light oil (No. 2)", {"C": 0.873, "H": 0.126, "S": 0.001})
"""Mass shares of a typical No. 2 oil; carbon of 86.5 to 87.5 % changes the air by less than 0.2 % at one
O2."""

FUELS: Mapping[str, Fuel] = MappingProxyType(
    {"natural_gas": NATURAL_GAS, "propane": PROPANE, "light_oil": LIGHT_OIL}
)
"""Fuels that need no composition, by the name used on the command line."""
