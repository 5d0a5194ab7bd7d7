"""A crack that grows by a known law, as records: invented data with known truth for the tests of `edge.growth`.

Integrated on a fine grid of crack sizes: da/dN = C dK^m phi, dK from the handbook, phi = (r/(d + r))^p of a retardation
after Wheeler (J. Basic Eng. 94 (1972) 181; from memory), d the distance still to go to the end of the affected length,
r = affected length/4. Rows get normal noise of the deviations they state.
"""
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from edge import handbook
from edge.record import Row, encode_row, header_line

RIG = """[specimen]
geometry = "{geometry}"
width_mm = {width_mm}
thickness_mm = {thickness_mm}
notch_mm = {notch_mm}
free_length_mm = 160.0
material = "mild steel"
[load]
source = "recording"
path = "gone.csv"
frequency_hz = 7.0
[camera]
source = "recording"
path = "gone.npy"
rows = 120
columns = 160
frame_rate_hz = 25.0
counts_per_K = 100.0
zero_K = 0.0
[view]
mm_per_px = 0.15
datum_px = [58.0, 18.0]
"""


@dataclass(frozen=True)
class Growing:
    geometry: str = "CT"
    width_mm: float = 50.0
    thickness_mm: float = 6.0
    notch_mm: float = 12.0
    range_kN: float = 4.0
    load_ratio: float = 0.1
    C: float = 1e-8
    m: float = 3.0
    first_mm: float = 14.0
    last_mm: float = 30.0
    overload_mm: float | None = None     # crack size at the overload
    affected_mm: float = 3.0
    p: float = 1.0                       # strength; negative: hastened, as after an underload

    def course(self) -> tuple[np.ndarray, np.ndarray]:
        """(crack_mm, cycles) on a fine grid."""
        return _course(self)

    def phi(self, a: np.ndarray) -> np.ndarray:
        if self.overload_mm is None:
            return np.ones(len(a))
        to_go = self.overload_mm + self.affected_mm - a
        slowed = (a >= self.overload_mm) & (to_go > 0)
        return np.where(slowed, (1 + 4 * np.maximum(to_go, 0) / self.affected_mm) ** -self.p, 1.0)

    def dK(self, a: np.ndarray) -> np.ndarray:
        return handbook.delta_K_MPa_sqrt_m(self.geometry, self.range_kN, a, self.width_mm, self.thickness_mm, 160.0)

    def cycles_at(self, crack_mm: float) -> float:
        a, cycles = self.course()
        return float(np.interp(crack_mm, a, cycles))

    def rows(self, rng: np.random.Generator, fixes: int = 60, sd_mm: float = 0.03, dK_rel_sd: float = 0.02,
             even: str = "cycles", slope: float = 0.0, opening: float | None = None, scatter: float = 0.0
             ) -> list[Row]:
        """Rows at even cycles or even crack sizes; slope: of the crack path across the image, upwards; scatter: of
        log10 of the cycles from row to row (the material's)."""
        a, n = self.course()
        if even == "cycles":
            cycles = np.round(np.linspace(0, n[-1], fixes))
        else:
            cycles = np.round(np.interp(np.linspace(a[0], a[-1], fixes), a, n))
        size = np.interp(cycles, n, a)
        true_dK = self.dK(size)
        cycles = np.round(np.concatenate([[0], np.cumsum(np.diff(cycles) * 10 ** rng.normal(0, scatter, fixes - 1))]))
        overload = self.cycles_at(self.overload_mm) if self.overload_mm else np.inf
        rows = []
        for k, (N, true) in enumerate(zip(cycles, size)):
            measured, dK = true + rng.normal(0, sd_mm), float(true_dK[k]) * (1 + rng.normal(0, dK_rel_sd))
            hit = k > 0 and cycles[k - 1] < overload <= N
            row = Row(seq=k, time_utc=f"2031-05-{1 + k // 1440:02d}T{k // 60 % 24:02d}:{k % 60:02d}:00Z",
                      elapsed_s=N / 7.0, cycles=int(N), load_range_kN=self.range_kN, load_ratio=self.load_ratio,
                      tip_row_px=58.0 - slope * measured / 0.15, tip_col_px=18.0 + measured / 0.15, tip_sd_px=0.1,
                      crack_mm=measured, crack_sd_mm=sd_mm, dKI_MPa_sqrt_m=dK, dKI_sd=dK_rel_sd * dK,
                      flags=("overload" if self.p > 0 else "underload",) if hit else ())
            if opening is not None:
                row.opening_fraction, row.opening_sd = opening + rng.normal(0, 0.02), 0.02
            rows.append(row)
        return rows

    def write(self, folder: Path, rows: list[Row], rig: bool = True) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "records.csv").write_text("\n".join([header_line(), *map(encode_row, rows)]) + "\n")
        if rig:
            (folder / "rig.toml").write_text(RIG.format(**vars(self)))
        return folder


@cache
def _course(test: Growing) -> tuple[np.ndarray, np.ndarray]:
    a = np.linspace(test.first_mm, test.last_mm, 20001)
    rate = test.C * test.dK(a) ** test.m * test.phi(a)
    return a, np.concatenate([[0], np.cumsum(np.diff(a) * (1 / rate[1:] + 1 / rate[:-1]) / 2)])
