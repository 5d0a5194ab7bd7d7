"""Plausible runs out of the ordinary: half a view of background, loads that ramp or have not begun, sources without a range.

Closed-form centre cracks and invented cameras and loads; expected values are the scenes' truth."""

import numpy as np
import plates
import pytest
import recordings
from test_fix import COUNTS_PER_K, FRAMES, K0_PER_MPA, LOAD, NOISE_K, SURFACE_K, rig_for

from calibration.profile import CameraProfile
from edge import cli, motion, region
from edge.bench_camera import shifted, spline
from edge.bench_load import LoadWave
from edge.fix import Fixer
from edge.lockin import Harmonics
from edge.phase import LoadPhase
from edge.record import read_records

SHAPE = (120, 160)
ROWS, COLUMNS = np.indices(SHAPE).astype(float)
PHI = 2 * np.pi * np.arange(16) / 16
SD_K = NOISE_K * np.sqrt(2 / FRAMES)
FRAMES_AS_LOAD = {"load": {"source": "frames", "path": None}}
SMALL = plates.centre_crack(shape=(60, 80), tip_px=(29.3, 45.6), half_mm=8.0)
FEW_SAMPLES = {"sample_rate_hz": 100.0}


def swung(mean_K, h1_K, d_px):
    """h1, h2 of a scene that swings by d_px to the right in step with the load."""
    frames = [shifted((mean_K + h1_K * np.sin(p))[None], np.array([d_px * np.sin(p)]), np.zeros(1), spline)[0] for p in PHI]
    return np.stack([np.tensordot(np.exp(-1j * k * PHI), frames, 1) * 2j / PHI.size for k in (1, 2)])


def fix_of(plate, cover, mean_K, d_px=0.0, seed=0):
    """Of a specimen that ends where `cover` does, and the mask of its maps."""
    h1 = -0.5 * K0_PER_MPA * SURFACE_K * plate.sum_MPa * cover
    rng = np.random.default_rng(seed)
    maps = swung(mean_K, h1, d_px) if d_px else np.stack([h1, 0 * h1]).astype(complex)
    maps = maps + SD_K * (rng.standard_normal(maps.shape) + 1j * rng.standard_normal(maps.shape))
    noise = np.full(SHAPE, NOISE_K * COUNTS_PER_K)
    mean = (mean_K + 0.05 * rng.standard_normal(SHAPE)) * COUNTS_PER_K
    made = Harmonics(maps * COUNTS_PER_K, mean, noise, np.full(2, np.sqrt(2 / FRAMES)), np.ones(2), FRAMES, FRAMES, 0.0)
    return Fixer(rig_for(plate), CameraProfile(tau_s=0.0, counts_per_K=COUNTS_PER_K), SHAPE).fix(made, LOAD, 25.0)


@pytest.mark.parametrize("ends_px", [110, 90, 75])
def test_background_is_known_as_such_up_to_half_of_the_view(ends_px):
    plate = plates.centre_crack(shape=SHAPE, tip_px=(58.3, 40.6))
    stress = plate.sum_MPa / (1 + np.exp((COLUMNS - ends_px) / 0.7))
    sd_MPa = 2 * SD_K / (K0_PER_MPA * SURFACE_K)
    stress = stress + sd_MPa * np.random.default_rng(2).standard_normal(SHAPE)
    silent = region.silent(stress, sd_MPa, np.ones(SHAPE, bool))
    assert silent[:, ends_px + 6 :].mean() > 0.9 and silent[:, : ends_px - 6].mean() < 0.02


@pytest.mark.parametrize("ends_px", [80, 75])
def test_a_crack_beside_a_background_as_large_as_its_specimen_has_its_K(ends_px):
    plate = plates.centre_crack(shape=SHAPE, tip_px=(58.3, 40.6))
    cover = 1 / (1 + np.exp((COLUMNS - ends_px) / 0.7))
    fix = fix_of(plate, cover, 291 + 4 * cover)
    assert abs(fix.row.dKI_MPa_sqrt_m - plate.KI_MPa_sqrt_m) < 4 * fix.row.dKI_sd < 0.03 * plate.KI_MPa_sqrt_m


def test_a_background_that_cuts_into_the_ring_is_told_as_an_edge():
    plate = plates.centre_crack(shape=SHAPE, tip_px=(58.3, 40.6))
    cover = 1 / (1 + np.exp((COLUMNS - 62) / 0.7))
    assert "near_edge" in fix_of(plate, cover, 291 + 4 * cover).flags


def test_a_specimen_of_uneven_temperature_that_swings_before_a_cold_background_has_its_K_and_no_contact():
    plate = plates.centre_crack(shape=SHAPE, tip_px=(58.3, 82.6))
    cover = 1 / (1 + np.exp((COLUMNS - 112) / 0.7))
    warm = 4 + 0.8 * ((COLUMNS - 55) / 55) ** 2 + 0.5 * (ROWS - 60) / 60
    fix = fix_of(plate, cover, 291 + warm * cover, d_px=0.4, seed=1)
    assert abs(fix.row.dKI_MPa_sqrt_m - plate.KI_MPa_sqrt_m) < 4 * fix.row.dKI_sd < 0.03 * plate.KI_MPa_sqrt_m
    assert fix.row.motion_px == pytest.approx(0.4, abs=0.05) and fix.row.contact_length_mm is None
    assert fix.maps["mask"][:, 118:].mean() < 0.1


@pytest.mark.parametrize("size_px", [5, 9, 13])
def test_clusters_of_bad_pixels_do_not_make_motion_and_slip_smaller(size_px):
    rows, columns = np.indices((60, 80))
    mean_K = 291 + 4 / (1 + np.exp((columns - 30) / 0.7))
    rng = np.random.default_rng(1)
    maps = swung(mean_K, 0 * mean_K, 0.4)
    maps = maps + SD_K * (rng.standard_normal(maps.shape) + 1j * rng.standard_normal(maps.shape))
    noise, bad = 0.05 * rng.standard_normal(mean_K.shape), np.zeros(mean_K.shape, bool)
    for row in (10, 40):
        bad[row : row + size_px, 8 : 8 + size_px] = True
    before = np.where(bad, mean_K + 50, mean_K + noise)
    after = np.where(bad, mean_K + 50, shifted(mean_K[None], np.array([0.25]), np.zeros(1), spline)[0] + noise)
    assert motion.measure(before, maps, bad, np.full(2, SD_K)).size_px == pytest.approx(0.4, abs=0.02)
    slip = motion.Slip()
    slip.follow(before, bad)
    slip.follow(after, bad)
    assert slip.shift_px[0] == pytest.approx(0.25, abs=0.02)


class Ramped(LoadWave):
    """Its amplitude goes from a tenth to all of it between 10 and 30 s."""

    def gain(self, t, phase):
        return 0.1 + 0.9 * np.clip((np.asarray(t, float) - 10) / 20, 0, 1)


def test_a_ramp_of_the_load_begins_the_estimate_anew_and_K_belongs_to_the_load_told(run_recording, monkeypatch):
    monkeypatch.setattr(recordings, "LoadWave", Ramped)
    rig = {"lockin": {"memory_s": 20.0}}
    run = run_recording(SMALL, frames=1500, width_mm=100.0, wave=FEW_SAMPLES, rig=rig)
    assert any("load_step" in r.flags for r in run.rows)
    per_kN = SMALL.KI_MPa_sqrt_m / (2 * run.made.wave.amplitude_kN)
    for row in run.rows[-2:]:
        assert abs(row.dKI_MPa_sqrt_m - per_kN * row.load_range_kN) < 4 * row.dKI_sd < 0.1 * row.dKI_MPa_sqrt_m


@pytest.mark.parametrize("samples_hz, load_hz", [(50.0, 7.0), (100.0, 7.0), (100.0, 20.0), (200.0, 20.0)])
def test_a_load_that_has_not_begun_is_not_counted_and_its_noise_no_disturbance(samples_hz, load_hz):
    for seed in range(3):
        t = np.arange(0.0, 120.0, 1 / samples_hz)
        p = 5.0 + 0.004 * np.random.default_rng(seed).standard_normal(t.size)
        phase = LoadPhase(load_hz, None, 60.0, 50.0)
        for i in range(0, t.size, int(samples_hz)):
            phase.feed(t[i : i + int(samples_hz)], p[i : i + int(samples_hz)])
        assert phase.cycles_at(119.0) == 0 and "load_spikes" not in phase.remarks


def test_jumps_of_the_images_level_lose_no_cycles_of_a_load_taken_from_the_frames(run_recording):
    camera = {"shutter_every_s": 9.0, "shutter_s": 0.12, "shutter_step_K": 0.5}
    run = run_recording(SMALL, frames=1000, width_mm=100.0, wave=FEW_SAMPLES, camera=camera, rig=FRAMES_AS_LOAD)
    last = run.rows[-1]
    assert last.cycles == pytest.approx(7 * last.elapsed_s, abs=2)
    assert any("cycles_estimated" in r.flags for r in run.rows)


@pytest.mark.parametrize("hz", [2.3, 5.2])
def test_a_camera_that_sends_each_image_three_times_has_its_load_found_in_the_frames(tmp_path, hz):
    made = recordings.render(SMALL, frames=270, camera={"frame_rate_hz": 9.0}, wave={"frequency_hz": hz, **FEW_SAMPLES}, width_mm=100.0)
    rig = {**FRAMES_AS_LOAD, "camera": {"frame_rate_hz": 27.0}}
    saved = recordings.save(recordings.sent_again(made, 3), tmp_path, rig=rig, width_mm=100.0)
    assert cli.main(["run", str(saved.rig)]) == 0
    last = read_records(tmp_path / "out").rows[-1]
    assert abs(last.dKI_MPa_sqrt_m - SMALL.KI_MPa_sqrt_m) < 3 * last.dKI_sd < 0.1 * SMALL.KI_MPa_sqrt_m
    assert last.cycles == pytest.approx(hz * last.elapsed_s, abs=1.5 * hz)


def test_a_range_in_counts_is_not_taken_for_kilonewtons(run_recording):
    """1,000 counts a kelvin would be some hundred kilonewtons, and beyond the yield strength of the ligament."""
    rig = {"load": {**FRAMES_AS_LOAD["load"], "nominal_range_kN": 20.0},
           "specimen": {"geometry": "MT", "width_mm": 60.0, "yield_strength_MPa": 250.0}}  # fmt: skip
    plate = plates.centre_crack(shape=(60, 80), tip_px=(29.3, 45.6), half_mm=8.0, stress_MPa=120.0)
    camera = {"counts_per_K": 1000.0, "zero_K": 270.0}
    run = run_recording(plate, frames=300, width_mm=100.0, wave=FEW_SAMPLES, camera=camera, rig=rig)
    assert run.rows[-1].crack_mm is not None
    assert not any("irwin" in r.flags or r.irwin_mm is not None for r in run.rows)


def test_the_second_harmonic_of_frames_is_that_of_the_load_and_not_of_the_detector(run_recording):
    wave = {"h2": 0.06, "h2_deg": 40.0, **FEW_SAMPLES}
    rig = {**FRAMES_AS_LOAD, "lockin": {"memory_s": 20.0}}
    run = run_recording(SMALL, frames=900, width_mm=100.0, wave=wave, rig=rig)
    assert not any("h2_disagrees" in r.flags for r in run.rows)


def test_a_row_tells_the_load_that_its_frames_have_seen():
    """Samples come ahead of the frames: what is read already may be another load."""
    t = np.arange(0.0, 40.0, 0.01)
    phase = LoadPhase(1.0, None, 30.0)
    phase.feed(t, np.where(t < 30.0, 10.0, 5.0) * np.sin(2 * np.pi * t))
    assert phase.state(10.0, 29.0).range_kN == pytest.approx(20.0, rel=0.01)


@pytest.mark.parametrize("share", [0.05, 0.5])
def test_a_load_that_goes_on_with_far_less_amplitude_is_followed_again_soon(share):
    t = np.arange(0.0, 90.0, 0.005)
    p = 20.0 + np.where(t < 30.0, 10.0, 10.0 * share) * np.sin(2 * np.pi * 7 * t)
    phase = LoadPhase(7.0)
    for i in range(0, t.size, 200):
        phase.feed(t[i : i + 200], p[i : i + 200] + 0.004 * np.random.default_rng(i).standard_normal(200))
    assert phase.state(60.0, 88.0).range_kN == pytest.approx(20 * share, rel=0.01)
    assert phase.cycles_at(88.0) - phase.cycles_at(45.0) == pytest.approx(43 * 7, abs=1)
