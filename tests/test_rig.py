"""Rig files at the door: what is right comes through, what is wrong gets one line that says what to do."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.door import InputError
from edge.materials import MATERIALS, find
from edge.rig import Rig, load_rig

HERE = Path(__file__).parent / "rigs"
VALID = sorted((HERE / "valid").glob("*.toml"))
INVALID = sorted((HERE / "invalid").glob("*.toml"))


def test_the_corpora_are_there():
    assert len(VALID) >= 4 and len(INVALID) >= 40


@pytest.mark.parametrize("path", VALID, ids=lambda p: p.stem)
def test_a_valid_file_is_accepted(path):
    assert isinstance(load_rig(path, check_files=False), Rig)


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_an_invalid_file_gets_its_one_line(path):
    expected = path.read_text(encoding="utf-8").splitlines()[0].removeprefix("# expect: ")
    with pytest.raises(InputError) as caught:
        load_rig(path)
    line = str(caught.value)
    assert re.search(expected, line), line
    assert "\n" not in line and len(line) < 500
    assert path.stem in line or "camera.toml" in line


def test_every_key_arrives_as_written():
    rig = load_rig(HERE / "valid" / "every-key.toml", check_files=False)
    folder = HERE / "valid"
    assert (rig.specimen.geometry, rig.specimen.width_mm, rig.specimen.notch_mm) == ("SENT", 30.0, 6.0)
    assert rig.specimen.thermoelastic_constant_per_MPa == 3.1e-6  # the key wins over the preset
    assert rig.load.path == folder / "load.csv" and rig.camera.path == folder / "frames.npy"
    assert rig.camera.profile == folder / "camera.toml" and rig.records.folder == folder / "out"
    assert rig.camera.crop_px == (2, 0, 120, 160)
    assert rig.view.datum_px == (58.0, 18.0)
    assert (rig.lockin.harmonics, rig.lockin.mains_hz) == (2, 60.0)
    assert (rig.fit.inner_mm, rig.fit.outer_mm, rig.fit.half_angle_deg, rig.fit.terms) == (0.6, 5.0, 140.0, 4)
    assert (rig.records.serial_port, rig.records.serial_baud) == ("/dev/ttyS1", 9600)
    targets = (rig.records.target_crack_mm, rig.records.stop_at_crack_mm, rig.records.stop_at_rate_mm_per_cycle)
    assert targets == (20.0, 24.0, 1e-3)


def test_what_is_left_out_has_the_documented_default():
    rig = load_rig(HERE / "valid" / "fewest-keys.toml")
    assert rig.specimen.yield_strength_MPa == find("mild steel").yield_strength_MPa
    assert rig.camera.zero_K is None and rig.camera.profile is None and rig.camera.times is None
    assert (rig.lockin.memory_s, rig.lockin.harmonics, rig.records.every_s) == (60.0, 2, 10.0)
    assert rig.fit.inner_mm is None and rig.fit.terms is None
    assert rig.records.folder == HERE / "valid" / "out"


def test_a_plate_without_width_is_unbounded_and_has_no_nominal_stress():
    rig = load_rig(HERE / "valid" / "plate-without-width.toml", check_files=False)
    assert rig.specimen.width_mm == math.inf and math.isnan(rig.specimen.thickness_mm)
    assert rig.view.growth_angle_deg == 180.0  # -180 and 180 are one direction; angles are held in (-180, 180]


@pytest.mark.parametrize(
    "written, held", [(0, 0), (180, 180), (-180, 180), (270, -90), (-190, 170), (360, 0), (-360, 0)]
)
def test_the_growth_angle_is_held_in_one_turn(tmp_path, written, held):
    text = (HERE / "valid" / "fewest-keys.toml").read_text() + f"growth_angle_deg = {written}\n"
    (tmp_path / "rig.toml").write_text(text)
    assert load_rig(tmp_path / "rig.toml").view.growth_angle_deg == held


def recording(folder: Path, profile: str) -> Path:
    """A folder with the files of the `every-key` rig, empty but for the profile."""
    (folder / "rig.toml").write_text((HERE / "valid" / "every-key.toml").read_text())
    for name in ("frames.npy", "frames.csv", "load.csv"):
        (folder / name).touch()
    (folder / "camera.toml").write_text(profile)
    return folder / "rig.toml"


def test_a_recording_is_accepted_once_its_files_exist(tmp_path):
    assert load_rig(recording(tmp_path, "tau_s = 0.010\n")).folder == tmp_path
    (tmp_path / "frames.csv").unlink()
    with pytest.raises(InputError, match=r"\[camera\] times: no such file"):
        load_rig(tmp_path / "rig.toml")


def test_counts_per_kelvin_may_come_from_the_profile_alone(tmp_path):
    rig = recording(tmp_path, "tau_s = 0.010\ncounts_per_K = 98.0\n")
    rig.write_text(rig.read_text().replace("counts_per_K = 100.0\n", ""))
    assert load_rig(rig).camera.counts_per_K is None


def test_a_mistake_in_the_profile_is_named_in_the_profile(tmp_path):
    with pytest.raises(InputError, match=r"camera\.toml tau: unknown key; nearest is \"tau_s\""):
        load_rig(recording(tmp_path, "tau = 0.010\n"))


@pytest.mark.parametrize("raw, expected", [(b"\xff\xfe", "not UTF-8"), (b"# " + b"x" * 2_000_000, "longer than")])
def test_a_file_of_another_kind_is_refused(tmp_path, raw, expected):
    (tmp_path / "rig.toml").write_bytes(raw)
    with pytest.raises(InputError, match=expected):
        load_rig(tmp_path / "rig.toml")


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        load_rig(tmp_path / "nowhere.toml")
    with pytest.raises(InputError, match="is a folder"):
        load_rig(tmp_path)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_damage_to_a_file_gives_a_rig_or_one_line(tmp_path_factory, data):
    raw = bytearray((HERE / "valid" / "every-key.toml").read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(raw) - 1))
        raw[at : at + data.draw(st.integers(0, 6))] = data.draw(st.binary(max_size=6))
    path = tmp_path_factory.mktemp("damaged") / "rig.toml"
    path.write_bytes(raw)
    try:
        assert isinstance(load_rig(path, check_files=False), Rig)
    except InputError as e:
        assert "\n" not in str(e)


# K0 in 1e-6 per MPa at room temperature, alpha / (rho cp) by hand: expansion from a materials textbook (table B.6),
# density and specific heat from memory.
K0_TABLE = {"A36": 3.07, "304": 4.30, "316": 3.98, "2024-T3": 9.45, "7075-T6": 8.71, "Ti-6Al-4V": 3.69}


@pytest.mark.parametrize("name, K0", K0_TABLE.items())
def test_a_preset_has_the_handbook_thermoelastic_constant(name, K0):
    assert find(name).thermoelastic_constant_per_MPa * 1e6 == pytest.approx(K0, abs=0.006)


# Diffusion length sqrt(D / (pi f)) in mm at 1 Hz; D from memory, so this guards against slips of the pen only.
@pytest.mark.parametrize("name, length_mm", [("mild steel", 2.1), ("316", 1.1), ("2024", 4.0), ("Ti-6Al-4V", 1.0)])
def test_a_preset_has_a_plausible_diffusivity(name, length_mm):
    assert math.sqrt(find(name).thermal_diffusivity_mm2_per_s / math.pi) == pytest.approx(length_mm, abs=0.06)


def test_presets_pass_the_door_they_stand_behind(tmp_path):
    text = (HERE / "valid" / "fewest-keys.toml").read_text()
    for material in MATERIALS:
        (tmp_path / "rig.toml").write_text(text.replace("mild steel", material.name))
        assert load_rig(tmp_path / "rig.toml").specimen.youngs_modulus_GPa == material.youngs_modulus_GPa
