"""What pieces are made of: weight, stiffness and growth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from types import MappingProxyType

DOUBT = 0.1  # of a stiffness that was worked out from numbers: a guess, no source
_LEAST_AND_MOST = {
    "density_kg_m3": (500.0, 23_000.0, 'kg/m³; water has 1000, iron 7200: write 7200, or "7.2 g/cm³"'),
    "e_gpa": (1.0, 1_200.0, "GPa; iron has about 110, steel 206"),
    "poisson": (0.0, 0.499, "of Poisson's ratio; metals have about 0.28"),
    "alpha_um_m_k": (0.0, 100.0, "µm/m/K; steel has 11.5"),
    "e_doubt": (0.0, 1.0, "as a share of the modulus, such as 0.1"),
}


@dataclass(frozen=True)
class Material:
    """Density, Young's modulus, Poisson's ratio and the growth with warmth, µm on a metre for each kelvin.

    `e_doubt` is the standard uncertainty of the modulus as a share of it.
    """

    name: str
    density_kg_m3: float
    e_gpa: float
    poisson: float = 0.28
    alpha_um_m_k: float = 11.0
    e_doubt: float = DOUBT


# Grey iron: EN 1561:2011, annex A, GJL-250 (E 103-118 by grade and wall). Steel: 7850, 206 and 11.5 as in ISO 3650:1998
# and common tables. Granite (black gabbro) and aluminium (EN AW-6061): common tables. All from memory; the doubts of E
# are guesses from how far such tables differ.
BUILT_IN = MappingProxyType(
    {
        material.name: material
        for material in (
            Material("cast iron", 7200.0, 110.0, 0.26, 10.5, 0.15),
            Material("steel", 7850.0, 206.0, 0.29, 11.5, 0.03),
            Material("granite", 2900.0, 75.0, 0.25, 6.5, 0.15),
            Material("aluminium", 2700.0, 70.0, 0.33, 23.5, 0.03),
        )
    }
)


def material_named(name: str | None, own: Iterable[Material] = ()) -> Material | None:
    """One's own material of that name, else the built-in one; None where nothing is known of it."""
    return next((each for each in own if each.name == name), BUILT_IN.get(name or ""))


def unfit_material(material: Material) -> tuple[str, str] | None:
    """Why no material has these numbers, in a sentence, and the key that is wrong; None if one may."""
    for key, (least, most, of) in _LEAST_AND_MOST.items():
        if not least <= (found := getattr(material, key)) <= most:
            return f"{found:g} cannot be: it lies between {least:g} and {most:g} {of}.", key
    return None
