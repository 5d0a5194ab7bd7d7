"""Figures of the report drawn from the record rows: crack quantities, and the health of load and camera."""
from __future__ import annotations

from collections.abc import Sequence

from edge.pictures import Picture, Series, bars_hidden, cycle_axis, series_picture
from edge.record import Row, as_array

# (y label, factor from the column's unit, axis through zero, caption, series as (label, column, deviation's column))
Panel = tuple[str, float, bool, str, tuple[tuple[str, str, str | None], ...]]
CRACK: tuple[Panel, ...] = (
    ("crack size (mm)", 1, False, "Crack size at the fitted (elastic) tip, and at the 2f phase reversal: the sign of "
     "the physical tip.", (("fitted tip", "crack_mm", "crack_sd_mm"), ("2f phase reversal", "reversal_mm", None))),
    ("stress-intensity range (MPa\u221am)", 1, True, "Stress-intensity ranges from the fit; \u0394K_II near zero means "
     "pure opening.", (("\u0394K_I", "dKI_MPa_sqrt_m", "dKI_sd"), ("\u0394K_II", "dKII_MPa_sqrt_m", "dKII_sd"))),
    ("T-stress range (MPa)", 1, False, "T-stress range from the fit.", (("T", "T_MPa", "T_sd"),)),
    ("contact length (mm)", 1, True, "Length of crack-face contact behind the fitted tip, from the 2f map.",
     (("contact length", "contact_length_mm", "contact_sd_mm"),)),
    ("opening fraction", 1, True, "Opening fraction: part of the load range below the opening "
     "load, (P_open \u2212 P_min)/(P_max \u2212 P_min).",
     (("opening", "opening_fraction", "opening_sd"),)),
    ("2f amplitude (mK)", 1e3, True, "2f amplitudes behind the tip (contact) and ahead of it (dissipation).",
     (("contact", "contact_K", None), ("ahead", "ahead_K", None))),
)
HEALTH: tuple[Panel, ...] = (
    ("load range (kN)", 1, False, "Load range.", (("range", "load_range_kN", None),)),
    ("load frequency (Hz)", 1, False, "Load frequency.", (("frequency", "load_frequency_hz", None),)),
    ("load ratio R", 1, False, "Load ratio, least over greatest load.", (("R", "load_ratio", None),)),
    ("1f noise (mK)", 1e3, True, "Standard deviation of the corrected 1f amplitude.", (("noise", "noise_K", None),)),
    ("R\u00b2 of the fit", 1, False, "Share of the stress map's variance that the fit explains.",
     (("R\u00b2", "r2", None),)),
    ("frames since the fix before", 1, True, "Frames lost and repeated since the fix before.",
     (("lost", "lost", None), ("repeated", "repeated", None))),
    ("movement of the specimen (px)", 1, True, "Amplitude of motion at the load frequency, and shift since the start.",
     (("motion", "motion_px", None), ("shift", "slip_px", None))),
)


def history(rows: Sequence[Row], panels: Sequence[Panel]) -> list[Picture]:
    """One picture a panel, against cycles (time where no cycles were counted). The caption says where all bars are too
    short to be seen."""
    table = as_array(rows)
    x, x_label = cycle_axis(table["cycles"], table["elapsed_s"])
    drawn = []
    for y_label, factor, zero, caption, columns in panels:
        series = [Series(label, factor*table[name], None if sd is None else factor*table[sd])
                  for label, name, sd in columns]
        png = series_picture(x, x_label, y_label, series, zero, 1.0 if columns[0][1] == "r2" else None)
        if bars_hidden(series, zero):
            caption += " All bars are shorter than the points."
        drawn.append(Picture(png, caption, f"{y_label} against {x_label}"))
    return drawn
