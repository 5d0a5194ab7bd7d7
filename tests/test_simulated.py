"""The simulated bench: what it shows is what it says it shows. Everything it shows is invented."""

import numpy as np
import plates
import pytest
import recordings
from scipy.special import erf

from calibration.door import InputError
from calibration.profile import load_profile
from edge.bench_camera import BenchCamera, CameraModel, band_limited, shifted, spline
from edge.bench_field import Ahead, Contact, Scene
from edge.bench_growth import CrackLaw, grow
from edge.bench_load import LoadWave
from edge.handbook import clipped_harmonics
from edge.rig import load_rig
from edge.sources.base import EndOfSource
from edge.sources.recording import RecordedFrames, RecordedLoad
from edge.sources.simulated import bench_from_rig

QUIET = {"netd_K": 0.0, "fixed_pattern_K": 0.0, "drift_K_per_h": 0.0, "dead": 0.0, "counts_per_K": 2000.0}
QUIET |= {"zero_K": 280.0, "arrival_jitter_s": 0.0}
SMALL = {"shape": (40, 60), "tip_px": (19.3, 31.6)}


def harmonics_of(frames: np.ndarray, exposure_s: np.ndarray, wave: LoadWave, count: int = 3) -> np.ndarray:
    """Complex maps (count, rows, columns) by batch least squares at the true exposure times and phases, in counts."""
    phi, n = wave.phase(exposure_s), np.arange(1, count + 1)[:, None]
    x = np.concatenate([[np.ones_like(phi), exposure_s], np.sin(n * phi), np.cos(n * phi)]).T
    b = np.linalg.lstsq(x, frames.reshape(len(phi), -1).astype(float))[0].reshape(-1, *frames.shape[1:])
    return b[2 : 2 + count] + 1j * b[2 + count :]


@pytest.mark.parametrize("fraction", [0.02, 0.2, 0.35, 0.5, 0.7, 0.95, 1.0])
def test_harmonics_of_the_clipped_sinusoid_are_its_fourier_coefficients(fraction):
    phi = 2 * np.pi * (np.arange(200_000) + 0.5) / 200_000
    wave = np.maximum(0, 2 * fraction - 1 - np.sin(phi)) / (2 * fraction)
    psi = phi + np.pi / 2
    expected = [wave.mean()] + [2 * (wave * np.cos(k * psi)).mean() for k in range(1, 6)]
    assert clipped_harmonics(fraction, 5) == pytest.approx(expected, abs=1e-8)


def test_half_wave_has_the_handbook_harmonics():
    """1/pi + sin/2 - (2/pi) sum cos 2kwt/(4k^2 - 1): mathematical handbooks."""
    half = [1 / np.pi, 1 / 2, 2 / (3 * np.pi), 0, -2 / (15 * np.pi)]
    assert clipped_harmonics(0.5, 4) == pytest.approx(half, abs=1e-12)
    assert not clipped_harmonics(0.0).any()


@pytest.mark.parametrize("rate_hz, load_hz", [(25.0, 7.0), (8.7, 5.0), (9.0, 12.3)])
def test_frames_carry_the_scene_behind_the_detectors_lag(rate_hz, load_hz):
    """Harmonics below and above half the frame rate; lag 1/(1 + i w tau), row r readout_s r/rows later."""
    camera = {"frame_rate_hz": rate_hz, "tau_s": 0.011, "readout_s": 0.02, "netd_K": 0.03}
    wave = {"frequency_hz": load_hz, "h2": 0.04, "h2_deg": 30.0}
    made = recordings.render(plates.centre_crack(**SMALL), 600, 3, camera, wave, Contact(), Ahead())
    row = np.arange(40)[:, None] / 40
    seen = harmonics_of(made.frames, made.exposure_s, made.wave) / made.camera.counts_per_K
    for k, truth in enumerate(made.scene.harmonics(0.04, 30.0), start=1):
        w = 2 * np.pi * k * load_hz
        lag = np.exp(-1j * w * 0.02 * row) / (1 + 1j * w * 0.011)
        error = (seen[k - 1] - truth * lag)[~made.dead]
        assert np.std(error) == pytest.approx(0.03 * np.sqrt(4 / 600), rel=0.1)  # two components of 2 sigma^2/N each
        assert abs(error.mean()) < 4 * 0.03 * np.sqrt(4 / 600 / error.size)


def test_contact_and_dissipation_stand_where_and_in_the_phase_they_should():
    made = recordings.thermal_scene(plates.centre_crack(), Contact(length_mm=2.0), Ahead(phase_deg=75.0))
    h2 = made.harmonics()[1]
    row, tip = 58, 84.6
    behind, ahead = h2[row, round(tip - 6)], h2[row, round(tip + 4)]
    assert np.angle(behind, deg=True) == pytest.approx(-90, abs=3)
    assert np.angle(ahead, deg=True) == pytest.approx(75, abs=3)
    beyond = round(tip - 2.0 / 0.15) - 3  # px: past the taper's end and the blur
    assert np.abs(h2[row, :beyond]).max() < 0.02 * abs(behind)
    contact = made.harmonics()[0] - made.elastic  # compression at minimum load warms: as tension does, 180 degrees
    assert np.angle(contact[row, round(tip - 6)], deg=True) == pytest.approx(180, abs=1)


def test_specimen_moves_with_the_load():
    """A soft edge in the mean temperature and nothing else: its place in each frame is the motion's."""
    col = np.arange(64)
    edge = np.tile(290 + 5 / (1 + np.exp(-(col - 30.0) / 1.5)), (16, 1))
    camera = CameraModel(
        **QUIET, motion_px=0.8, motion_deg=0.0, tau_s=0.0, readout_s=0.0, slip_px_per_h=90.0, slip_deg=0.0
    )
    bench = BenchCamera(camera, LoadWave(), 16, 64, seed=1)
    bench.look(Scene(edge, np.zeros_like(edge, complex)), 0.0)
    shots = [bench.shoot(i) for i in range(400)]
    level = np.array([s.counts[8].astype(float) for s in shots]) / 2000 + 280 - 292.5
    first = np.argmax(level > 0, axis=1)
    at = np.arange(400)
    place = first - level[at, first] / (level[at, first] - level[at, first - 1])
    t = np.array([s.exposure_s for s in shots])
    assert place == pytest.approx(30 + 0.8 * np.sin(LoadWave().phase(t)) + 90 * t / 3600, abs=0.05)


def test_camera_faults_are_those_that_were_asked_for():
    camera = {"lost": 0.05, "repeated": 0.05, "gap_from_s": 20.0, "gap_to_s": 22.0, "frame_rate_error": 0.005}
    camera |= {"stalled": 0.02, "frame_delay_s": 0.03, "blinking": 0.01}
    made = recordings.render(plates.centre_crack(**SMALL), 1500, 5, camera)
    lost = 1500 - len(made.frames)
    assert lost == pytest.approx(50 + 0.05 * 1450, abs=25)
    assert not ((made.exposure_s > 20) & (made.exposure_s < 22)).any()
    assert made.exposure_s == pytest.approx(made.number / 25 / 1.005)
    late = made.arrival_s - made.exposure_s - 0.03
    assert late.min() >= 0 and 0.001 < np.median(late) < 0.003 and late.max() > 0.05
    assert (np.diff(made.arrival_s) >= 0).all()
    copies = (made.frames[1:] == made.frames[:-1]).all(axis=(1, 2)).mean()
    assert copies == pytest.approx(0.05, abs=0.02)
    assert (made.frames[:, made.dead] == 41000).all()


def test_shutter_freezes_the_picture_and_changes_the_offsets():
    camera = {"shutter_every_s": 10.0, "shutter_s": 0.4, "shutter_step_K": 0.5, "fixed_pattern_K": 0.0}
    made = recordings.render(plates.uncracked((20, 30)), 600, 2, camera | {"dead": 0.0, "drift_K_per_h": 0.0})
    assert made.shutters_s == [10.0, 20.0]
    shut = (made.exposure_s > 10.0) & (made.exposure_s < 10.4)
    assert (made.frames[shut] == made.frames[np.flatnonzero(shut)[0]]).all()
    before, after = made.exposure_s < 10, (made.exposure_s > 10.5) & (made.exposure_s < 20)
    step = made.frames[after].mean(0) - made.frames[before].mean(0)
    assert np.std(step) == pytest.approx(0.5 * 100, rel=0.15)


def test_on_camera_filter_correlates_the_noise_of_neighbouring_frames():
    camera = {"filter_weight": 0.3, "fixed_pattern_K": 0.0, "dead": 0.0, "drift_K_per_h": 0.0}
    made = recordings.render(plates.uncracked((20, 30), stress_MPa=0.001), 400, 2, camera)
    noise = made.frames[20:] - made.frames[20:].mean(0)
    assert (noise[1:] * noise[:-1]).mean() / (noise**2).mean() == pytest.approx(0.3, abs=0.03)


def test_same_seed_same_recording_and_another_seed_another():
    plate = plates.centre_crack(**SMALL)
    one, same, other = (recordings.render(plate, 5, seed) for seed in (1, 1, 2))
    assert (one.frames == same.frames).all() and (one.load_kN == same.load_kN).all()
    assert not (one.frames == other.frames).all()


def test_load_wave_pauses_steps_walks_and_overloads():
    t = np.arange(0, 100, 1e-3)
    paused = LoadWave(pause_from_s=20, pause_to_s=50, noise_kN=0)
    still = (t > 20) & (t < 50)
    assert np.ptp(paused.load_kN(t)[still]) == 0
    assert paused.phase(100.0) == pytest.approx(2 * np.pi * 7 * 70)
    stepped = LoadWave(step_at_s=40, step_frequency_hz=9)
    assert [stepped.frequency(s) for s in (39, 41)] == pytest.approx([7, 9], rel=1e-6)
    walked = LoadWave(walk=0.002)
    assert np.ptp(np.diff(walked.phase(t))) * 1e3 / 2 / np.pi == pytest.approx(2 * 0.002 * 7, rel=1e-3)
    over = LoadWave(overload_cycle=100, overload_ratio=1.5).load_kN(t)
    peak = 4.8 + 4.2
    assert over.max() == pytest.approx(1.5 * peak, rel=1e-3)
    high = t[over > 1.05 * peak]
    assert high.min() > 100 / 7 and high.max() < 100.5 / 7


def test_load_samples_come_once_each_with_their_clock_error():
    made = recordings.render(plates.uncracked((8, 8)), 100, 1, wave={"clock_error": 1e-4, "noise_kN": 0.0})
    true = made.load_time_s / (1 + 1e-4)
    assert made.load_kN == pytest.approx(made.wave.load_kN(true), abs=1e-9)
    assert made.load_time_s[-1] > made.exposure_s[-1]


def test_recording_folder_is_what_rig_file_and_sources_take(tmp_path):
    plate = plates.centre_crack(**SMALL)
    made = recordings.write(
        tmp_path / "rec", plate, rig={"lockin": {"harmonics": 3}}, profile={"netd_K": None}, frames=30
    )
    rig = load_rig(made.rig)
    assert rig.lockin.harmonics == 3 and rig.view.datum_px == pytest.approx(plate.datum_px)
    profile = load_profile(rig.camera.profile)
    assert (profile.tau_s, profile.frame_delay_s, profile.netd_K) == (made.camera.tau_s, None, None)
    with RecordedFrames(rig.camera.path, rig.camera.times, 40, 60, 25.0) as source:
        frames = [source.read(0.1) for _ in range(len(made.frames))]
        with pytest.raises(EndOfSource):
            source.read(0.1)
    assert (np.stack([f.counts for f in frames]) == made.frames).all()
    assert [f.time_s for f in frames] == pytest.approx(made.arrival_s, abs=1e-6)
    assert RecordedLoad(rig.load.path, 1.0, 0.0).read(1e9)[1] == pytest.approx(made.load_kN, abs=1e-5)
    assert 2 * made.wave.amplitude_kN == pytest.approx(60.0 * 30 * 4 / 1e3)  # the plate's stress range times W B


def test_crack_grows_by_paris_law_under_newmans_closure():
    law = CrackLaw(m=3.0)
    life = grow(law, 150_000)
    a = life.crack_mm
    rate = np.diff(a) / np.diff(life.cycles)
    dK = law.delta_K((a[1:] + a[:-1]) / 2)
    slope, intercept = np.polyfit(np.log(dK), np.log(rate), 1)
    assert slope == pytest.approx(3.0, rel=1e-3)
    assert np.exp(intercept + slope * np.log(15)) == pytest.approx(law.C * 15**3, rel=1e-3)
    # Newman, Int. J. Fract. 24 (1984) R131 (M form, C value): Smax/s0 = 0.3, R = 0.1, alpha = 1 opens at 0.491 Smax
    stress = 0.3 * law.yield_MPa
    kN = stress * law.width_mm * law.thickness_mm * 0.9e-3
    opened = CrackLaw(range_kN=kN, constraint=1.0).opening_fraction
    assert opened == pytest.approx((0.491 - 0.1) / 0.9, abs=0.001)


def test_overload_delays_the_crack_by_the_cycles_it_says():
    plain, over = CrackLaw(), CrackLaw(overload_cycle=20_000, overload_ratio=1.6)
    free, slowed = grow(plain, 100_000), grow(over, 100_000)
    lost, length = slowed.delay
    assert lost > 1000 and 0.1 < length < 3
    end = slowed.crack_mm[-1]
    assert np.interp(end, free.crack_mm, free.cycles) == pytest.approx(100_000 - lost, rel=0.005)
    assert free.delay == (0.0, 0.0)
    assert slowed.crack_at(19_000) == pytest.approx(free.crack_at(19_000), rel=1e-4)


RIG = """
[specimen]
geometry = "MT"
width_mm = 60.0
thickness_mm = 4.0
notch_mm = 6.0
material = "mild steel"
temperature_C = 22.0
[load]
source = "simulated"
frequency_hz = 7.0
[camera]
source = "simulated"
rows = 60
columns = 80
frame_rate_hz = 25.0
counts_per_K = 100.0
[view]
mm_per_px = 0.25
datum_px = [30.0, 0.0]
growth_angle_deg = 0.0
[lockin]
memory_s = 20.0
[records]
every_s = 300.0
"""


@pytest.fixture
def rig(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG)
    return load_rig(tmp_path / "rig.toml")


def frames_of(bench) -> list:
    frames = []
    with pytest.raises(EndOfSource):
        while True:
            frames.append(bench.frames.read(0.1))
    return frames


def test_bench_looks_in_bursts_and_samples_the_load_all_the_time(rig):
    bench = bench_from_rig(rig, duration_s=902.0)
    frames = frames_of(bench)
    t = np.array([f.time_s for f in frames])
    since = t % 300
    assert np.all((since < 2.1) | (since > 300 - 1.1 * 20 - 1.1))
    assert [np.sum(np.abs(t - due) < 30) / 25 for due in (300, 600, 900)] == pytest.approx([25] * 3, abs=0.1)
    parts = [bench.load.read(until) for until in (1.0, 1.0, 299.9, 902.0, 1e4)]
    assert bench.load.ended and parts[1][0].size == 0
    time_s, load_kN = (np.concatenate([p[i] for p in parts]) for i in (0, 1))
    assert np.diff(time_s) == pytest.approx(1 / (25 * 7.0))
    up = np.flatnonzero((load_kN[:-1] < load_kN.mean()) & (load_kN[1:] >= load_kN.mean()))
    assert len(up) == pytest.approx(902 * 7, abs=1)


def test_bench_shows_the_centre_crack_of_the_closed_form(rig):
    bench = bench_from_rig(rig, contact={"length_mm": 0.0}, ahead={"peak_K": 0.0})
    truth = bench.truth(100.0)
    stress = truth.delta_K_MPa_sqrt_m / np.sqrt(np.pi * truth.crack_mm * 1e-3)
    plate = plates.centre_crack((60, 80), truth.tip_px, 0.0, 0.25, truth.crack_mm, stress)
    shown = -2 * bench.scene(truth).harmonics()[0].real / bench.bench.K0_T
    inside = np.zeros((60, 80), bool)
    inside[3:-3, 3:-3] = True
    row, col = np.ogrid[:60, :80]
    inside &= np.hypot(row - truth.tip_px[0], col - truth.tip_px[1]) > 3
    assert shown[inside] == pytest.approx(plate.sum_MPa[inside], abs=0.01 * stress)
    assert plate.datum_px == pytest.approx((30.0, 0.0), abs=1e-9)
    # ASTM E647 (M): K = (P/B) sqrt(pi alpha/2W sec(pi alpha/2)), alpha = 2a/W
    alpha = 2 * truth.crack_mm / 60
    K = bench.bench.law.range_kN * 1e3 / 4 * np.sqrt(np.pi * alpha / 120 / np.cos(np.pi * alpha / 2)) * np.sqrt(1e-3)
    assert truth.delta_K_MPa_sqrt_m == pytest.approx(K, rel=1e-6)


def test_bench_frames_carry_the_growing_crack(rig):
    bench = bench_from_rig(rig, camera=QUIET, law={"C_effective": 5e-7}, duration_s=602.0)
    frames = frames_of(bench)
    late = [f for f in frames if 560 < f.time_s < 600]
    t = np.array([f.time_s for f in late]) - bench.bench.camera.frame_delay_s
    seen = np.abs(harmonics_of(np.stack([f.counts for f in late]), t, bench.wave)[0])
    tip = bench.truth(590.0).tip_px
    assert tip[1] > bench.truth(0.0).tip_px[1] + 2
    assert np.hypot(*(np.unravel_index(np.argmax(seen), seen.shape) - np.array(tip))) < 1.5


def test_bench_takes_the_overload_into_load_and_crack(rig):
    bench = bench_from_rig(rig, law={"overload_cycle": 3000, "overload_ratio": 1.8}, duration_s=902.0)
    time_s, load_kN = bench.load.read(902.0)
    assert time_s[np.argmax(load_kN)] == pytest.approx(3000.25 / 7, abs=0.05)
    before, after = bench.truth(3000 / 7 - 1), bench.truth(3000 / 7 + 1)
    assert after.rate_mm_per_cycle < 0.7 * before.rate_mm_per_cycle
    assert after.contact_length_mm > before.contact_length_mm


def test_bench_says_what_it_cannot_show(tmp_path, rig):
    with pytest.raises(TypeError):
        bench_from_rig(rig, law={"no_such_setting": 1})
    text = RIG.replace('"MT"', '"plate"').replace("width_mm = 60.0\n", "")
    (tmp_path / "rig.toml").write_text(text)
    with pytest.raises(InputError, match=r"width_mm: is missing"):
        bench_from_rig(load_rig(tmp_path / "rig.toml"))
    (tmp_path / "rig.toml").write_text(RIG.replace('"MT"', '"CT"').replace("notch_mm = 6.0", "notch_mm = 2.0"))
    with pytest.raises(InputError, match=r"notch_mm: is 2, .* no handbook K"):
        bench_from_rig(load_rig(tmp_path / "rig.toml"))


def test_an_edge_that_is_moved_stays_an_edge_and_a_band_limited_one_rings():
    """A step of 1 under a blur of 0.7 px, moved by fractions of a pixel, against the same step drawn where it is then."""
    x, shifts = np.arange(160.0), np.array([0.3, 0.5, 0.8])

    def step(at_px):
        return np.repeat(0.5 * (1 + erf((x - 40.2 - at_px) / (0.7 * np.sqrt(2))))[None], 8, axis=0)

    def off(transfer):
        moved = shifted(np.repeat(step(0.0)[None], 3, axis=0), shifts, np.zeros(3), transfer)
        return np.abs(moved - np.array([step(s) for s in shifts]))[:, 4].max(axis=0)

    assert off(spline)[[35, 46]].max() < 1e-4 < 3e-4 < off(band_limited)[[30, 50]].max() < 3e-3
