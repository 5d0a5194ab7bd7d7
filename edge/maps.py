"""One `maps-<seq>.npz` file: harmonic maps, fitted tip, fit region and the stress-sum series that was fitted there.

Conventions: h = A exp(i theta) of A sin(k phi + theta), in kelvin; adiabatic tension makes h1 negative real, so the
peak-to-peak stress-sum range is -2 Re(h1) times `stress_per_K`. Crack coordinates: x in mm along the direction of
growth, y in mm 90 degrees counter-clockwise from it as seen on the image (rows count downwards), origin at the tip.
"""
from __future__ import annotations

import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.robust import MAD_TO_SD
from edge import williams
from edge.conduction import Flow
from edge.prior import Prior
from edge.region import Region

NAME = re.compile(r"maps-(\d+)\.npz")
# A circular complex Gaussian exceeds k times its component's deviation with probability exp(-k^2/2): 1.1 % at k = 3.
PHASE_FLOOR = 3.0
STRIP_PX = 1.5  # half width of the strip along the crack line


class BadMaps(Exception):
    """A maps file that cannot be used; str() is its path and the reason in one line."""


@dataclass(frozen=True)
class Tip:
    """The fitted (elastic) tip and its fit region; coefficients c_n in MPa mm^(1-n/2), n = 1, 2, ...; notch (4,) MPa of what
    a notch adds whose end is notch_back_mm behind the tip, empty without one; flow: the heat that flows."""
    row_px: float
    col_px: float
    angle_deg: float
    inner_mm: float
    outer_mm: float
    half_angle_deg: float
    wake_mm: float
    coefficients: np.ndarray
    notch: np.ndarray
    notch_back_mm: float
    notch_half_mm: float
    flow: Flow | None


@dataclass(frozen=True)
class Marks:
    """Places along the crack line from the fitted tip in mm (negative: behind); None where not determined."""
    contact_end_mm: float | None = None
    reversal_mm: float | None = None


@dataclass(frozen=True)
class Maps:
    """Maps of one fix. h1, h2: complex (rows, columns), K; h2 is None where it was not measured. mask: True on the
    specimen where the maps are finite. stress_per_K: MPa of range per K of -2 Re h1; None without material constant."""
    seq: int
    h1: np.ndarray
    h2: np.ndarray | None
    mask: np.ndarray
    mm_per_px: float | None
    stress_per_K: float | None
    tip: Tip | None


def list_maps(folder: Path) -> list[tuple[int, Path]]:
    """(seq, path) of every maps file in the folder, by seq."""
    found = ((NAME.fullmatch(p.name), p) for p in folder.iterdir())
    return sorted((int(m.group(1)), p) for m, p in found if m)


def read_maps(path: Path | str) -> Maps:
    """Read one file; raises BadMaps when it is torn, is no maps file or its arrays do not fit each other."""
    path = Path(path)
    name = NAME.fullmatch(path.name)
    try:
        with np.load(path, allow_pickle=False) as data:
            arrays = {key: data[key] for key in data.files}
    except FileNotFoundError:
        raise BadMaps(f"{path}: no such file") from None
    except (OSError, ValueError, EOFError, KeyError, zipfile.BadZipFile, NotImplementedError) as error:
        raise BadMaps(f"{path}: cannot be read ({type(error).__name__}: torn or not a maps file)") from None
    missing = [key for key in ("h1", "h2") if key not in arrays]
    if missing:
        raise BadMaps(f"{path}: has no array {' and no array '.join(missing)}")
    h1, h2 = arrays["h1"], arrays["h2"]
    mask = arrays.get("mask", np.ones(h1.shape, bool))
    if h1.ndim != 2 or h2.shape != h1.shape or mask.shape != h1.shape:
        raise BadMaps(f"{path}: h1 {h1.shape}, h2 {h2.shape} and mask {mask.shape} are not maps of one size")
    mask = mask.astype(bool) & np.isfinite(h1)
    second = h2 if np.isfinite(h2[mask]).any() else None
    return Maps(seq=int(name.group(1)) if name else 0, h1=h1, h2=second,
                mask=mask if second is None else mask & np.isfinite(second), mm_per_px=_positive(arrays, "mm_per_px"),
                stress_per_K=_positive(arrays, "stress_per_K"), tip=_tip(arrays))


def _number(arrays: dict[str, Any], key: str) -> float | None:
    value = arrays.get(key)
    if value is None or np.size(value) != 1 or not np.isreal(value).all():
        return None
    number = float(np.real(value).reshape(-1)[0])
    return number if np.isfinite(number) else None


def _positive(arrays: dict[str, Any], key: str) -> float | None:
    number = _number(arrays, key)
    return number if number is not None and number > 0 else None


def _tip(arrays: dict[str, Any]) -> Tip | None:
    keys = ("tip_row_px", "tip_col_px", "angle_deg", "inner_mm", "outer_mm", "half_angle_deg")
    known = [n for n in (_number(arrays, key) for key in keys) if n is not None]
    coefficients = np.asarray(arrays.get("coefficients", []), complex).reshape(-1)
    if len(known) < len(keys) or not coefficients.size or not np.isfinite(coefficients).all():
        return None
    row, col, angle, inner, outer, half_angle = known
    if not _positive(arrays, "mm_per_px"):
        return None
    wake, notch = _number(arrays, "wake_mm") or 0.0, np.asarray(arrays.get("notch", []), float).reshape(-1)
    back, half = _positive(arrays, "notch_back_mm") or 0.0, _positive(arrays, "notch_half_mm") or 0.0
    if notch.size != 4 or not np.isfinite(notch).all() or not back:
        notch, back, half = np.empty(0), 0.0, 0.0
    share, mu = _positive(arrays, "flow_share"), _positive(arrays, "flow_mm")
    flow = Flow(share, mu, 0.0, _positive(arrays, "flow_blur_mm") or 0.0) if share and mu else None
    return Tip(row, col, angle, inner, outer, half_angle, wake, coefficients, notch, back, half, flow)


def measured_range(maps: Maps) -> np.ndarray:
    """Measured peak-to-peak range, (rows, columns), NaN off the specimen: MPa of stress sum, or K without
    `stress_per_K`."""
    scale = 1.0 if maps.stress_per_K is None else maps.stress_per_K
    return np.where(maps.mask, -2.0 * np.real(maps.h1) * scale, np.nan)


def crack_coordinates(maps: Maps, tip: Tip, finer: int = 1) -> np.ndarray:
    """z = x + iy in mm of every pixel, or of a grid `finer` times as fine over the same pixels' centres."""
    rows, columns = maps.h1.shape
    row = np.linspace(0, rows - 1, (rows - 1) * finer + 1)[:, None]
    col = np.linspace(0, columns - 1, (columns - 1) * finer + 1)[None, :]
    return williams.to_crack(row, col, (tip.row_px, tip.col_px), tip.angle_deg, maps.mm_per_px or np.nan)


def crack_strip(maps: Maps, z: np.ndarray) -> np.ndarray:
    """True in the strip of three pixels along the crack line, on the specimen; z: the pixels' crack coordinates."""
    return maps.mask & (np.abs(z.imag) <= STRIP_PX * (maps.mm_per_px or np.nan))


def contact_phase_deg(maps: Maps, marks: Marks) -> float | None:
    """2f phase of the contact: of the mean between its end and the tip, or the reversal where that lies behind the tip.
    None without tip, 2f map or contact."""
    if maps.tip is None or maps.h2 is None or marks.contact_end_mm is None:
        return None
    z = crack_coordinates(maps, maps.tip)
    part = crack_strip(maps, z) & (z.real >= marks.contact_end_mm) & (z.real <= min(0.0, marks.reversal_mm or 0.0))
    return float(np.degrees(np.angle(maps.h2[part].sum()))) if part.any() else None


def in_fit_region(z: np.ndarray, tip: Tip) -> np.ndarray:
    """True in the ring between the radii, outside the wake."""
    notch = Prior(tip.outer_mm, notch_back_mm=tip.notch_back_mm, notch_half_mm=tip.notch_half_mm)
    ring = Region(tip.inner_mm, tip.outer_mm, tip.half_angle_deg, tip.wake_mm, tip.coefficients.size, notch)
    return ring.holds(z)


def fitted_range(z: np.ndarray, tip: Tip) -> np.ndarray:
    """Stress-sum range in MPa of all that was fitted at z (mm), NaN outside the fit region."""
    inside = in_fit_region(z, tip)
    total = np.full(z.shape, np.nan)
    total[inside] = williams.stress_sum(z[inside], tip.coefficients, tip.notch, tip.notch_back_mm, tip.flow)
    return total


def component_noise_K(h: np.ndarray, mask: np.ndarray) -> float:
    """Standard deviation in K of one quadrature component of a harmonic map, from the differences of neighbouring
    pixels: smooth fields drop out, and the median absolute deviation ignores the few steep places.
    NaN when the specimen has no neighbouring pixels."""
    across = (h[:, 1:] - h[:, :-1])[mask[:, 1:] & mask[:, :-1]]
    down = (h[1:] - h[:-1])[mask[1:] & mask[:-1]]
    steps = np.concatenate([across.real, across.imag, down.real, down.imag])
    return float(MAD_TO_SD * np.median(np.abs(steps)) / np.sqrt(2)) if steps.size else float("nan")


def phase_deg(h: np.ndarray, mask: np.ndarray, noise_K: float) -> np.ndarray:
    """Phase in degrees, NaN off the specimen and where the amplitude is below PHASE_FLOOR times the noise."""
    return np.where(mask & (np.abs(h) > PHASE_FLOOR * noise_K), np.degrees(np.angle(h)), np.nan)


def binned(
    h: np.ndarray, coordinate: np.ndarray, chosen: np.ndarray, edges: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Complex mean of h over the chosen pixels in bins of a coordinate: (mean, count), each (bins,); NaN if empty."""
    place = np.digitize(coordinate[chosen], edges) - 1
    values = h[chosen][(place >= 0) & (place < edges.size - 1)]
    place = place[(place >= 0) & (place < edges.size - 1)]
    count = np.bincount(place, minlength=edges.size - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        real, imag = (np.bincount(place, part, edges.size - 1) / count for part in (values.real, values.imag))
    return real + 1j * imag, count
