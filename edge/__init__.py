"""The measuring loop and the commands of bolotip.

For use from Python there is a handful of functions (hw_notes/python_use.md, edge/by_hand.py): `lock_in` frames,
`to_kelvin`, `fit_tip`, `plate`, `records` as a structured array, `load_rig`, `load_profile`, `read_maps`. They are
imported when first asked for: the command line starts without numpy.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from edge.by_hand import fit_tip, load_profile, load_rig, lock_in, plate, read_maps, records, to_kelvin

__version__ = "0.1.0"
__all__ = ["fit_tip", "load_profile", "load_rig", "lock_in", "plate", "read_maps", "records", "to_kelvin"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'edge' has no attribute {name!r}")
    from edge import by_hand

    return getattr(by_hand, name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
