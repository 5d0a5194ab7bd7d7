"""Material presets for the rig file: typical values at room temperature, to be overridden by measured ones.

Thermal expansion is from a materials textbook (table B.6 of its appendix), read there. Everything else is from memory,
typical of mill data, and stands as such: density, specific heat, Young's modulus, yield strength, thermal diffusivity.
The thermoelastic constant K0 = alpha / (rho cp) follows from them; paint and batch shift it by several per cent, so
calibrate it (`bolotip calibrate gain`) where stress or K matters.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Material:
    """One alloy, room temperature."""

    name: str
    expansion_per_K: float  # textbook, table B.6
    density_kg_per_m3: float  # from memory
    specific_heat_J_per_kgK: float  # from memory
    youngs_modulus_GPa: float  # from memory
    yield_strength_MPa: float  # from memory; minimum or typical of the temper named
    thermal_diffusivity_mm2_per_s: float  # from memory

    @property
    def thermoelastic_constant_per_MPa(self) -> float:
        """K0 = alpha / (rho cp), in 1/MPa (Kelvin's law of the thermoelastic effect)."""
        return self.expansion_per_K / (self.density_kg_per_m3 * self.specific_heat_J_per_kgK) * 1e6


MATERIALS = (
    Material("mild steel", 11.7e-6, 7850.0, 486.0, 205.0, 250.0, 14.0),  # ASTM A36
    Material("304", 17.2e-6, 8000.0, 500.0, 193.0, 215.0, 4.1),
    Material("316", 15.9e-6, 8000.0, 500.0, 193.0, 205.0, 4.0),
    Material("2024", 22.9e-6, 2770.0, 875.0, 72.4, 345.0, 50.0),  # T3
    Material("7075", 23.4e-6, 2800.0, 960.0, 71.0, 503.0, 50.0),  # T6
    Material("Ti-6Al-4V", 8.6e-6, 4430.0, 526.0, 114.0, 880.0, 2.9),  # annealed
)

OTHER_NAMES = {
    "a36": "mild steel",
    "steel": "mild steel",
    "304 stainless steel": "304",
    "316 stainless steel": "316",
    "aisi 304": "304",
    "aisi 316": "316",
    "304l": "304",
    "316l": "316",
    "2024-t3": "2024",
    "2024-t351": "2024",
    "aluminium 2024": "2024",
    "7075-t6": "7075",
    "7075-t651": "7075",
    "aluminium 7075": "7075",
    "ti6al4v": "Ti-6Al-4V",
}


def find(name: str) -> Material | None:
    """The preset of that name, in any case of letters, or None."""
    wanted = OTHER_NAMES.get(name.strip().lower(), name.strip()).lower()
    return next((m for m in MATERIALS if m.name.lower() == wanted), None)
