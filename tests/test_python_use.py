"""The functions for Python users: the example of hw_notes/python_use.md as it stands, and what the functions promise."""

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import invented_folder
import numpy as np
import plates
import pytest
import recordings

import edge
from calibration.door import InputError
from calibration.profile import CameraProfile
from edge.correct import far_field_delay
from edge.maps import BadMaps

ROOT = Path(__file__).parent.parent
SHAPE, MM, HALF_MM, STRESS_MPA = (64, 80), 0.25, 12.0, 60.0


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A recording folder of 600 frames, and an output folder in it; all invented."""
    plate = plates.centre_crack(SHAPE, (31.3, 40.6), mm_per_px=MM, half_mm=HALF_MM, stress_MPa=STRESS_MPA)
    folder = tmp_path_factory.mktemp("recording")
    made = recordings.write(folder, plate, frames=600, seed=3, wave={"frequency_hz": 7.0})
    (folder / "out").mkdir()
    invented_folder.write_records(folder / "out", invented_folder.invented_rows(6))
    return made


def example() -> str:
    text = (ROOT / "hw_notes" / "python_use.md").read_text()
    found = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    assert len(found) == 1
    return found[0]


def test_the_example_is_short():
    assert len([line for line in example().splitlines() if line.strip()]) <= 20


def test_the_example_of_the_notes_runs_as_it_stands_and_finds_the_true_tip(made, monkeypatch, capsys):
    monkeypatch.chdir(made.rig.parent)
    names: dict = {}
    exec(compile(example(), "python_use.md", "exec"), names)  # noqa: S102
    tip, plate = names["tip"], made.plate
    along, across, K_sd, _, T_sd = tip.sd
    # the placed tip and K of the closed-form plate, within 3.5 of their own deviations
    assert abs(tip.row_px - plate.tip_px[0]) * MM < 3.5 * across + 0.02 * MM
    assert abs(tip.col_px - plate.tip_px[1]) * MM < 3.5 * along + 0.02 * MM
    assert abs(tip.K_I - plate.KI_MPa_sqrt_m) < 3.5 * K_sd and K_sd < 0.05 * plate.KI_MPa_sqrt_m
    assert abs(tip.T_MPa - plate.T_MPa) < 3.5 * T_sd
    assert names["measured"].frequency_hz == pytest.approx(7.0, rel=1e-4)
    assert names["measured"].range_kN == pytest.approx(STRESS_MPA * 30.0 * 4.0 * 1e-3, rel=2e-3)
    out = capsys.readouterr().out
    assert out.count("\n") == 3 and "last crack size" in out


def test_the_example_needs_no_temperature_in_the_rig_file_where_counts_give_it(made, monkeypatch, tmp_path, capsys):
    for path in made.rig.parent.iterdir():
        (tmp_path / path.name).symlink_to(path)
    text = made.rig.read_text()
    (tmp_path / "rig.toml").unlink()
    (tmp_path / "rig.toml").write_text(re.sub(r"temperature_C = .*\n", "", text))
    monkeypatch.chdir(tmp_path)
    names: dict = {}
    exec(compile(example(), "python_use.md", "exec"), names)  # noqa: S102
    assert names["rig"].specimen.temperature_C is None and names["rig"].camera.zero_K == 0.0
    assert abs(names["tip"].K_I - made.plate.KI_MPa_sqrt_m) < 3.5 * names["tip"].sd[2]
    assert re.search(r"crack 1\d\.\d{3} ± 0\.0[1-9]\d mm", capsys.readouterr().out)


def test_maps_are_read_from_a_path_given_as_text(tmp_path):
    invented_folder.write_folder(tmp_path / "out", fixes=4, with_maps=1)
    path = next((tmp_path / "out").glob("maps-*.npz"))
    assert edge.read_maps(str(path)).seq == edge.read_maps(path).seq


def test_maps_that_cannot_be_read_are_named(tmp_path):
    with pytest.raises(BadMaps) as error:
        edge.read_maps(str(tmp_path / "nothere"))
    assert str(error.value) == f"{tmp_path / 'nothere'}: no such file"
    (tmp_path / "maps-000001.npz").write_text("torn")
    with pytest.raises(BadMaps) as error:
        edge.read_maps(tmp_path / "maps-000001.npz")
    assert str(error.value).startswith(f"{tmp_path / 'maps-000001.npz'}: cannot be read (")


def test_the_table_has_the_columns_and_values_of_the_file(made):
    table = edge.records(made.rig.parent / "out")
    rows = invented_folder.invented_rows(6)
    assert table.shape == (6,) and "crc32" not in table.dtype.names
    assert table["cycles"].tolist() == [r.cycles for r in rows]
    assert np.isnan(table["crack_mm"][0]) and table["crack_mm"][3] == pytest.approx(rows[3].crack_mm, abs=1e-4)
    assert "no_tip" in table["flags"][0].split()


def test_a_tip_is_found_without_a_rig_file_and_near_a_given_place_too():
    plate = plates.centre_crack(SHAPE, (31.3, 40.6), mm_per_px=MM, half_mm=HALF_MM, stress_MPa=STRESS_MPA)
    rig = edge.plate(MM, plate.datum_px, material="304", temperature_C=30.0)
    K0_T = rig.specimen.thermoelastic_constant_per_MPa * 303.15
    rng = np.random.default_rng(5)
    sd_K = 0.002
    noise = sd_K * (rng.standard_normal(SHAPE) + 1j * rng.standard_normal(SHAPE))
    h1 = -0.5 * K0_T * plate.sum_MPa + noise
    for near in (None, (29.0, 44.0)):
        tip = edge.fit_tip(h1, sd_K, 7.0, rig, near=near)
        assert tip is not None
        assert tip.crack_mm == pytest.approx(HALF_MM, abs=3.5 * tip.sd[0] + 0.01)
        assert tip.K_I == pytest.approx(plate.KI_MPa_sqrt_m, abs=3.5 * tip.sd[2])
    assert edge.fit_tip(noise, sd_K, 7.0, rig) is None


def test_a_tip_that_heat_hides_is_found_by_hand_as_in_the_loop():
    """2024 at 4 Hz, a crack of 11 mm: fitted without the flow of heat it is no crack's."""
    mm, hz, sd_K = 0.15, 4.0, 2e-3
    big = plates.centre_crack((400, 440), (200.3, 220.6), 0.0, mm, 11.0, 90.0)
    there = plates.centre_crack((120, 160), (60.3, 80.6), 0.0, mm, 11.0, 90.0)
    seen = plates.conducted(big.sum_MPa.astype(complex), mm, 50.0, hz)[140:260, 140:300]
    rig = edge.plate(mm, there.datum_px, material="2024", temperature_C=22.0)
    rig = replace(rig, specimen=replace(rig.specimen, thermal_diffusivity_mm2_per_s=50.0))
    rng = np.random.default_rng(4)
    K0_T = rig.specimen.thermoelastic_constant_per_MPa * 295.15
    h1 = -seen * K0_T / 2 + sd_K * (rng.standard_normal(seen.shape) + 1j * rng.standard_normal(seen.shape))
    delay = far_field_delay(h1, sd_K, hz, np.ones(h1.shape, bool))  # as `to_kelvin` has it
    h1 = h1 * np.exp(2j * np.pi * hz * delay[0])
    for near in (None, (60.0, 80.0)):
        found = edge.fit_tip(h1, sd_K, hz, rig, near=near)
        assert np.hypot(found.row_px - 60.3, found.col_px - 80.6) < 0.3
        assert found.K_I == pytest.approx(there.KI_MPa_sqrt_m, rel=0.03)
    assert edge.fit_tip(h1.real + 0j, sd_K, hz, rig) is None  # without the phase of heat it is none


def test_exposure_times_and_a_given_delay_are_taken_as_they_are(made):
    m = edge.lock_in(made.frames, made.exposure_s, made.load_time_s, made.load_kN, 6.5)
    model = made.camera
    profile = CameraProfile(tau_s=model.tau_s, readout_s=model.readout_s, frame_delay_s=0.0, counts_per_K=model.counts_per_K)
    maps = edge.to_kelvin(m, profile)
    assert maps.frame_delay_s == 0.0
    far = np.rad2deg(np.angle(-np.median(maps.h[0].real) - 1j * np.median(maps.h[0].imag)))
    assert abs(far) < 0.6  # true exposures: 180 degrees with no delay taken off; one millisecond would be 2.5
    assert maps.sd_K.shape == (2,) and 0.5 < maps.sd_K[0] / (model.netd_K * np.sqrt(2 / 600)) < 1.6


MISUSES = [
    (lambda m: edge.lock_in(m.frames[:100], m.exposure_s, m.load_time_s, m.load_kN, 7.0), "600 times for 100 frames"),
    (lambda m: edge.lock_in(m.frames, m.exposure_s[::-1], m.load_time_s, m.load_kN, 7.0), "one rising time a frame"),
    (lambda m: edge.lock_in(m.frames, m.exposure_s, m.load_time_s[1:], m.load_kN, 7.0), "one length"),
    (lambda m: edge.lock_in(m.frames / 1.0, m.exposure_s, m.load_time_s, m.load_kN, 7.0), "may be uint16"),
    (lambda m: edge.lock_in(m.frames, m.exposure_s + 1e6, m.load_time_s, m.load_kN, 7.0), "on one clock"),
    (lambda m: edge.lock_in(m.frames, m.exposure_s, m.load_time_s, m.load_kN, 0.0), "frequency_hz is 0.0, may be above 0"),
    (lambda m: edge.lock_in(m.frames, 0 * m.exposure_s, m.load_time_s, m.load_kN, 7.0), "may be one rising time a frame"),
    (
        lambda m: edge.lock_in(m.frames, m.exposure_s, m.load_time_s, m.load_kN, 7.0, frame_rate_hz=0),
        "frame_rate_hz is 0, may be above 0",
    ),
    (lambda m: edge.lock_in(m.frames, m.exposure_s, m.load_time_s, m.load_kN, 7.0, harmonics=0), "harmonics is 0, may be 1"),
    (lambda m: edge.lock_in(m.frames, [0.0, np.nan, *m.exposure_s[2:]], m.load_time_s, m.load_kN, 7.0), "no finite number"),
    (lambda m: edge.fit_tip(np.zeros((40, 80), complex), 0.01, 7.0, edge.load_rig(m.rig)), "maps are (40, 80), may be one size"),
    (lambda m: edge.fit_tip(np.zeros((2, *SHAPE), complex), 0.01, 7.0, edge.plate(MM)), "maps are (2, 64, 80), may be one size"),
    (
        lambda m: edge.fit_tip(np.zeros(SHAPE, complex), 0.01, 7.0, edge.plate(MM), usable=np.ones((9, 9), bool)),
        "maps are (64, 80) and (9, 9)",
    ),
    (lambda m: edge.plate(0.1, material="bronze"), 'material is "bronze", may be mild steel'),
    (lambda m: edge.records(m.rig.parent / "nowhere"), "no such file"),
    (lambda m: edge.load_rig(m.rig.parent / "nowhere.toml"), "no such file"),
]


@pytest.mark.parametrize("misuse, expected", MISUSES, ids=[e for _, e in MISUSES])
def test_misuse_gets_one_line_that_names_the_argument(made, misuse, expected):
    with pytest.raises(InputError, match=re.escape(expected)) as caught:
        misuse(made)
    assert "\n" not in str(caught.value)


def test_importing_the_package_imports_nothing_heavy_and_lists_its_functions():
    code = "import sys, edge; print([m for m in ('numpy', 'cv2', 'numba') if m in sys.modules], dir(edge))"
    said = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60).stdout
    assert said.startswith("[] [") and all(f"'{name}'" in said for name in edge.__all__)
    assert all(getattr(edge, name).__doc__ for name in edge.__all__)
    with pytest.raises(AttributeError):
        edge.no_such_thing  # noqa: B018


def test_the_table_of_the_notes_names_every_function():
    text = (ROOT / "hw_notes" / "python_use.md").read_text()
    assert all(f"`{name}(" in text for name in edge.__all__)
