"""An invented output folder for tests of the report: all data invented, closed-form fields plus seeded noise.

The stress sum is that of an infinite plate with a centre crack under remote tension (Westergaard 1939; Sih 1966; from
memory): s = 2 Re[S z/sqrt(z^2 - a^2)] - S, K = S sqrt(pi a), T = -S. No crack-tip series goes into the maps; the
coefficients beside them are a plain least-squares fit to the noiseless field.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from edge.record import Row, encode_row, header_line

ROWS, COLUMNS, MM_PER_PX, STRESS_MPA = 120, 160, 0.15, 60.0
STRESS_PER_K = 1 / (3.1e-6 * 295.0)  # range in MPa per K of -2 Re h1
NOISE_K = 0.0012
INNER_MM, OUTER_MM, HALF_ANGLE_DEG, TERMS = 0.7, 5.0, 140.0, 4


def stress_intensity(crack_mm: float) -> float:
    """K = S sqrt(pi a), MPa sqrt(m)."""
    return float(STRESS_MPA*np.sqrt(np.pi*crack_mm/1e3))


def westergaard(crack_mm: float, angle_deg: float, tip_px: tuple[float, float]) -> tuple[np.ndarray, np.ndarray]:
    """(stress-sum range in MPa, z in mm from the tip) on the pixels, crack growing along angle_deg, 90 = up."""
    row, col = np.mgrid[:ROWS, :COLUMNS]
    z = ((col - tip_px[1]) - 1j * (row - tip_px[0])) * MM_PER_PX * np.exp(-1j * np.deg2rad(angle_deg))
    from_centre = z + crack_mm
    root = np.sqrt(from_centre - crack_mm) * np.sqrt(from_centre + crack_mm)
    return 2 * STRESS_MPA * np.real(from_centre / root) - STRESS_MPA, z


def write_maps(
    folder: Path,
    seq: int,
    crack_mm: float,
    *,
    angle_deg: float = 0.0,
    contact_mm: float = 1.5,
    tip: bool = True,
    noise_K: float = NOISE_K,
    seed: int = 0,
    tip_px: tuple[float, float] | None = None,
    terms: int = TERMS,
) -> Path:
    """One maps file: centre crack of half length crack_mm, contact behind the tip and dissipation ahead of it in h2."""
    rng = np.random.default_rng([seed, seq])
    place = tip_px or (58.3, 15.0 + crack_mm / MM_PER_PX * 0.9)
    stress, z = westergaard(crack_mm, angle_deg, place)
    fitted = (np.abs(z) > INNER_MM) & (np.abs(z) < OUTER_MM) & (np.abs(np.angle(z)) < np.deg2rad(HALF_ANGLE_DEG))
    powers = np.stack([z[fitted] ** (n / 2 - 1) for n in range(1, terms + 1)], axis=1)
    design = np.concatenate([powers.real, -powers.imag], axis=1)
    solved = np.linalg.lstsq(design, stress[fitted], rcond=None)[0]

    def noise() -> np.ndarray:
        return noise_K * (rng.standard_normal((ROWS, COLUMNS)) + 1j * rng.standard_normal((ROWS, COLUMNS)))

    taper = np.clip(1 + z.real / contact_mm, 0, 1) if contact_mm > 0 else np.zeros(z.shape)
    contact = 0.020 * taper * (z.real < 0) * np.exp(-((z.imag / 0.35) ** 2))
    ahead = 0.008 * np.exp(-(np.abs(z - 0.35) ** 2) / 0.5**2) * (z.real >= 0)
    second = contact * np.exp(1j * np.deg2rad(35)) + ahead * np.exp(1j * np.deg2rad(-160))
    mask = np.ones((ROWS, COLUMNS), bool)
    mask[:, :4] = False
    tip_values = {
        "tip_row_px": place[0], "tip_col_px": place[1], "crack_mm": crack_mm,
        "dKI_MPa_sqrt_m": stress_intensity(crack_mm), "coefficients": solved[:terms]+1j*solved[terms:]} if tip else {}
    path = folder / f"maps-{seq:06d}.npz"
    np.savez(path, h1=(-stress/2/STRESS_PER_K+noise()).astype(np.complex64), mask=mask,
             h2=(second+noise()).astype(np.complex64), mean=np.full((ROWS, COLUMNS), 295.0, np.float32),
             noise=np.full((ROWS, COLUMNS), 0.05, np.float32), angle_deg=angle_deg, inner_mm=INNER_MM,
             outer_mm=OUTER_MM, half_angle_deg=HALF_ANGLE_DEG, mm_per_px=MM_PER_PX, stress_per_K=STRESS_PER_K,
             **tip_values)
    return path


def crack_sizes(fixes: int) -> np.ndarray:
    """An invented, accelerating crack from 6 to about 14 mm."""
    return 6.0+8.0*np.linspace(0, 1, fixes)**1.7


def invented_rows(fixes: int, seed: int = 0) -> list[Row]:
    """Rows of a growing crack; the first has no tip (the lock-in settles), every fourth has no contact."""
    rng = np.random.default_rng(seed)
    rows = []
    for k, a in enumerate(crack_sizes(fixes)):
        row = Row(seq=k+1, time_utc=f"2031-05-06T{7+k//6:02d}:{k%6*10:02d}:00Z", elapsed_s=600.0*(k+1),
                  cycles=4200*(k+1), frames=1490, load_frequency_hz=7.0+rng.normal(0, 0.001),
                  load_range_kN=9.0+rng.normal(0, 0.004), load_ratio=0.05, load_h2=0.0012, load_h2_deg=40.0,
                  noise_K=0.0012+rng.normal(0, 2e-5), lost=int(rng.poisson(3)), repeated=0,
                  motion_px=0.05, slip_px=0.002*k, flags=("delay_far_field",))
        if k == 0:
            row.flags = ("delay_far_field", "settling", "no_tip")
        else:
            row.tip_row_px, row.tip_col_px, row.tip_sd_px, row.crack_sd_mm = 58.3, 15+0.9*a/MM_PER_PX, 0.15, 0.022
            row.crack_mm = a+rng.normal(0, 0.022)
            row.dKI_MPa_sqrt_m, row.dKI_sd = stress_intensity(a)+rng.normal(0, 0.08), 0.08
            row.dKII_MPa_sqrt_m, row.dKII_sd = rng.normal(0, 0.05), 0.05
            row.T_MPa, row.T_sd, row.r2 = -STRESS_MPA+rng.normal(0, 1.5), 1.5, 0.985
            row.ahead_K = 0.008
        if k and k % 4 == 0:
            row.flags += ("no_contact",)
        elif k:
            row.contact_length_mm, row.contact_sd_mm, row.contact_K = 1.5+rng.normal(0, 0.1), 0.1, 0.02
            row.phase_gap_deg, row.opening_fraction, row.opening_sd = 165.0, 0.32+rng.normal(0, 0.02), 0.02
            row.reversal_mm = a+0.1
        rows.append(row)
    return rows


def write_records(folder: Path, rows: list[Row]) -> Path:
    """records.csv of these rows."""
    path = folder/"records.csv"
    path.write_text("".join(f"{line}\n" for line in [header_line(), *map(encode_row, rows)]), encoding="utf-8")
    return path


def write_folder(folder: Path, fixes: int = 12, with_maps: int | None = None, seed: int = 0) -> Path:
    """An output folder with maps of the last `with_maps` fixes (default: all)."""
    folder.mkdir(exist_ok=True)
    rows = invented_rows(fixes, seed)
    for row, a in list(zip(rows, crack_sizes(fixes), strict=True))[-(fixes if with_maps is None else with_maps):]:
        write_maps(folder, row.seq, a, tip=row.crack_mm is not None, contact_mm=row.contact_length_mm or 0.0, seed=seed)
    write_records(folder, rows)
    return folder
