"""Every number among the answers of hw_notes/teaching.md, from the formula it names; what the notes say of the program's own figures."""

import math
import re
from pathlib import Path

import pytest

from calibration.door import InputError
from calibration.profile import CameraProfile, response
from edge import plausible, region
from edge.aliases import collisions, folded_hz
from edge.demo import PROFILE, RIG
from edge.handbook import clipped_harmonics, delta_K_MPa_sqrt_m, diffusion_length_mm
from edge.materials import MATERIALS, find
from edge.rig import load_rig

NOTES = Path(__file__).parent.parent / "hw_notes"
PHYSICS = (NOTES / "physics.md").read_text()

# the class's steel, by hand: alpha 11.7e-6 /K from a textbook; rho 7850 kg/m3, cp 486 J/(kg K), D, yield from memory
K0_T = 11.7e-6 / (7850 * 486) * 1e6 * 295.0  # K per MPa
D, YIELD, TAU, RATE = 14.0, 250.0, 0.010, 25.0


def gain(hz: float) -> float:
    return 1 / math.hypot(1, 2 * math.pi * hz * TAU)


def lag(hz: float) -> float:
    return math.degrees(math.atan(2 * math.pi * hz * TAU))


def seen(hz: float) -> float:
    """The nearest whole number of frame rates taken off."""
    return min(abs(hz - n * RATE) for n in range(10))


FIRST_TERM_MPa = 2 * 15 / math.sqrt(2 * math.pi * 1e-3)
ALPHA = 2 * 12.0 / 60.0
M = math.log(2.61 / 1.10) / math.log(20 / 15)
ANSWERS = {
    "1": 1e3 * K0_T * 100,
    "2a": 50 * math.sqrt(2 / 1500),
    "2b": 2 * 50e-3 * math.sqrt(2 / 1500) / K0_T,
    "3a": gain(7),
    "3b": lag(7),
    "3c": gain(14),
    "3d": lag(14),
    "4a": 360 * 7 * 0.012,
    "4b": 2 * 360 * 7 * 0.012,
    "5a": seen(7),
    "5b": seen(14),
    "5c": seen(21),
    "6a": seen(10) if seen(10) == seen(15) else math.nan,
    "6b": seen(12.5) if seen(12.5) == RATE / 2 and seen(25) == 0 else math.nan,
    "7a": math.sqrt(D / (math.pi * 7)),
    "7b": math.sqrt(D / (math.pi * 7)) / 0.15,
    "8": gain(20),
    "9a": FIRST_TERM_MPa,
    "9b": 1e3 * 0.5 * K0_T * FIRST_TERM_MPa,
    "10": 21.04e-3 / 0.004 * math.sqrt(math.pi * ALPHA / (2 * 0.060) / math.cos(math.pi * ALPHA / 2)),
    "11a": 100 * (1.02 - 1),
    "11b": 100 * (math.sqrt(1.02) - 1),
    "12a": 1e3 * (20 / YIELD) ** 2 / (2 * math.pi),
    "12b": 1e3 * (20 / (2 * YIELD)) ** 2 / (2 * math.pi),
    "13": (8.282 - 8.071) / 2100,
    "14": M,
    "15a": 0.5 / 1.10e-4,
    "15b": 0.5 / 1.10e-4 / 1.05**M,
    "16": 1e3 * K0_T * 60 * 2 / (3 * math.pi),
    "17": (1 - 0.3) / 2,
    "19": 86400 / 10 * 320 / 1e6,
}


def answers() -> dict[str, str]:
    table = (NOTES / "teaching.md").read_text().split("## Answers")[1]
    rows = [[c.strip() for c in line.strip("|").split("|")] for line in table.splitlines() if re.match(r"\| \d", line)]
    return {name: value for name, value, *_ in rows}


def test_every_question_has_an_answer_and_every_number_is_computed_here():
    questions = set(re.findall(r"^(\d+)\. ", (NOTES / "teaching.md").read_text(), re.MULTILINE))
    assert {re.match(r"\d+", name)[0] for name in answers()} == questions == {str(n) for n in range(1, 21)}
    assert {name for name, value in answers().items() if value} == set(ANSWERS)


@pytest.mark.parametrize("name", ANSWERS)
def test_an_answer_is_right_to_its_last_digit(name):
    text = answers()[name]
    digits = len(text.split("e")[0].partition(".")[2])
    scale = 10.0 ** int(text.partition("e")[2] or 0)
    assert abs(float(text) - ANSWERS[name]) <= 0.51 * 10.0**-digits * scale, (text, ANSWERS[name])


def test_the_program_gives_the_class_the_same_figures():
    steel = find("mild steel")
    assert 295 * steel.thermoelastic_constant_per_MPa == pytest.approx(K0_T)
    assert float(diffusion_length_mm(steel.thermal_diffusivity_mm2_per_s, 7.0)) == pytest.approx(ANSWERS["7a"])
    assert float(delta_K_MPa_sqrt_m("MT", 21.04, 12.0, 60.0, 4.0)) == pytest.approx(ANSWERS["10"], rel=1e-4)
    assert [folded_hz(k * 7.0, 25.0) for k in (1, 2, 3)] == [7, 11, 4]
    assert collisions(5.0, 25.0, 45.0).spoiled == {2, 3} and {1, 2} <= collisions(12.5, 25.0, 45.0).spoiled
    assert not collisions(7.0, 25.0, 45.0).spoiled
    c = clipped_harmonics(0.35)
    assert c[3] / c[2] == pytest.approx(0.3)
    for key, value in (("width_mm", 60.0), ("thickness_mm", 4.0), ("mm_per_px", 0.15), ("frame_rate_hz", 25.0)):
        assert f"{key} = {value}" in RIG  # what the class is told of the demo's rig


WRITTEN_WRONG = [
    ("thickness_mm = 4.0", "thickness_mm = 0.004", "refused"),
    ("mm_per_px = 0.15", "mm_per_px = 6.67", "refused"),
    ("temperature_C = 22.0", "temperature_C = 295.0", "doubted"),
    ("notch_mm = 6.0", "notch_mm = 0.006", "doubted"),
    ('material = "mild steel"', 'material = "2024"', "unnoticed"),
]


@pytest.mark.parametrize("old, new, outcome", WRITTEN_WRONG, ids=[new for _, new, _ in WRITTEN_WRONG])
def test_what_the_class_writes_wrong_is_refused_or_doubted_as_the_answer_says(tmp_path, old, new, outcome):
    assert RIG.count(old) == 1 and (new.startswith("material") or new in (NOTES / "teaching.md").read_text())
    (tmp_path / "rig.toml").write_text(RIG.replace(old, new))
    (tmp_path / "camera.toml").write_text(PROFILE.replace("TODAY", "2026-11-25"))
    try:
        found = "doubted" if plausible.of_rig(load_rig(tmp_path / "rig.toml")) else "unnoticed"
    except InputError:
        found = "refused"
    assert found == outcome


# the tables of physics.md


def table_row(start: str) -> list[str]:
    line = next(line for line in PHYSICS.splitlines() if line.startswith(f"| {start}"))
    return [c.strip() for c in line.strip("|").split("|")][1:]


def test_the_material_tables_of_the_physics_note():
    for cell, material in zip(table_row("K₀, 1e-6"), MATERIALS, strict=True):
        assert float(cell) == pytest.approx(1e6 * material.thermoelastic_constant_per_MPa, abs=0.006)
    for cell, material in zip(table_row("range for 100 MPa"), MATERIALS, strict=True):
        assert float(cell) == pytest.approx(1e5 * 295 * material.thermoelastic_constant_per_MPa, abs=0.6)
    names = {"mild steel": ["mild steel"], "304, 316": ["304", "316"], "2024, 7075": ["2024", "7075"], "Ti-6Al-4V": ["Ti-6Al-4V"]}
    for start, members in names.items():
        cells = next(r for r in (table_rows(start)) if len(r) == 5)
        for name in members:
            expected = [math.sqrt(find(name).thermal_diffusivity_mm2_per_s / (math.pi * f)) for f in (1, 5, 7, 10, 20)]
            assert [float(c) for c in cells] == pytest.approx(expected, rel=0.04)


def table_rows(start: str) -> list[list[str]]:
    lines = [line for line in PHYSICS.splitlines() if line.startswith(f"| {start} |")]
    return [[c.strip() for c in line.strip("|").split("|")][1:] for line in lines]


@pytest.mark.parametrize("tau_ms, start", [(8, "τ = 8 ms"), (10, "τ = 10 ms"), (12, "τ = 12 ms")])
def test_the_detector_table_of_the_physics_note(tau_ms, start):
    for cell, hz in zip(table_row(start), (1, 5, 7, 10, 14, 20), strict=True):
        left, degrees = cell.rstrip("°").split(" / ")
        r = response(CameraProfile(tau_s=tau_ms * 1e-3), float(hz))
        assert float(left) == pytest.approx(abs(r), abs=0.0006)
        assert float(degrees) == pytest.approx(-math.degrees(math.atan2(r.imag, r.real)), abs=0.6)


def test_frames_to_two_millikelvin_in_the_sensor_note():
    text = (NOTES / "choosing_a_sensor.md").read_text()
    rows = re.findall(r"\| (\d+) mK \| ([\d,]+) \| (\d+) s \| (\d+) s \| (\d+) s \|", text)
    assert len(rows) == 3
    for netd, frames, *seconds in rows:
        n = 2 * (int(netd) / 2) ** 2
        assert int(frames.replace(",", "")) == n
        assert [int(s) for s in seconds] == [round(n / rate) for rate in (8.7, 25, 60)]
    assert "| 50 mK | 1,250 |" in text


def test_the_fit_region_of_the_optics_note():
    told = (NOTES / "optics.md").read_text()
    core = f"({region.CORE_PX} pixels or one diffusion length, whichever is more; {region.CORE_PX} pixels where"
    assert core in told and region.CORE_DIFFUSION == 1
    assert f"ends at {region.OUTER_SHARE} of" in told and f"at {region.OUTER_PX:.0f} pixels" in told


def test_distances_and_depths_in_the_optics_note():
    text = (NOTES / "optics.md").read_text()
    rows = re.findall(r"\| (\d+) µm \| ([\d.]+) mm \| (\d+) mm \| ([\d.]+) \| ([\d.]+) \| (\d+) × (\d+) mm \| ([\d.]+) mm \|", text)
    assert len(rows) == 5
    for pitch_um, f, d, m, mm_per_px, width, height, depth in rows:
        p, right_m = int(pitch_um) * 1e-3, float(f) / (float(d) - float(f))
        assert float(m) == pytest.approx(right_m, abs=6e-4)
        assert float(mm_per_px) == pytest.approx(p / right_m, abs=6e-4)
        assert [int(width), int(height)] == [round(160 * p / right_m), round(120 * p / right_m)]
        assert float(depth) == pytest.approx(2 * p * (1 + right_m) / right_m**2, abs=0.06)
