"""The plan before a test: its numbers against the lock-in, the fit and handbooks, its advice against the alias rule."""

import json
import math
from functools import partial
from types import SimpleNamespace

import cv2
import numpy as np
import plates
import pytest
import recordings
from matplotlib.figure import Figure
from more import chosen
from scipy.integrate import quad

from calibration.door import InputError
from edge import cli, handbook, plan, plan_picture, tip
from edge.aliases import collisions, folded_hz
from edge.forecast import Fits, at_frequency, at_sizes, basis, clear_hz, crack_sizes, delta_K, tip_px, view_mm
from edge.lockin import LockIn
from edge.plan import as_json, as_text, longest_memory_s, make_plan
from edge.rig import load_rig

RATES = (8.7, 9.0, 25.0, 27.0, 30.0, 60.0)
DEFAULTS = {
    "specimen": {
        "geometry": "SENT", "width_mm": 30.0, "thickness_mm": 4.0, "notch_mm": 6.0, "material": "mild steel",
        "thermoelastic_constant_per_MPa": 3.1e-6, "yield_strength_MPa": 350.0, "temperature_C": 22.0,
    },
    "load": {"source": "serial", "port": "/dev/ttyUSB0", "frequency_hz": 7.0, "nominal_range_kN": 8.4},
    "camera": {"source": "uvc", "rows": 120, "columns": 160, "frame_rate_hz": 25.0, "counts_per_K": 100.0,
               "profile": "camera.toml"},
    "view": {"mm_per_px": 0.15, "datum_px": [58.0, 18.0]},
    "lockin": {"memory_s": 60.0},
    "fit": {},
    "records": {},
}  # fmt: skip
PROFILE = "tau_s = 0.010\nreadout_s = 0.0\ntau_sd_s = 0.0\nreadout_sd_s = 0.0\nnetd_K = 0.050\n"


def write_rig(folder, profile: str | None = PROFILE, **tables):
    """An invented rig, with keys of its tables changed or (None) left out, as loaded."""
    text = ""
    for name, keys in DEFAULTS.items():
        text += f"[{name}]\n"
        for key, value in (keys | tables.get(name, {})).items():
            if value is not None:
                text += f"{key} = {json.dumps(value)}\n"
    (folder / "rig.toml").write_text(text)
    if profile is not None:
        (folder / "camera.toml").write_text(profile)
    return load_rig(folder / "rig.toml", check_files=False)


@pytest.fixture
def rig(tmp_path):
    return partial(write_rig, tmp_path)


@pytest.fixture(scope="module")
def plain_plan(tmp_path_factory):
    return make_plan(write_rig(tmp_path_factory.mktemp("plain")))


@pytest.fixture(scope="module")
def harmless_plan(tmp_path_factory):
    return make_plan(write_rig(tmp_path_factory.mktemp("harmless"), load={"nominal_range_kN": 2.0}))


def row_at(rig_, frequency_hz, crack_mm=10.0, dK=20.0):
    known = basis(rig_)
    return at_frequency(known, frequency_hz, Fits(known, crack_mm), dK)


# A first-order detector of 10 ms: gain and lag computed from 1/sqrt(1 + w^2 tau^2), atan(w tau) outside the project.
DETECTOR = [(1.0, 0.998, 4), (5.0, 0.954, 17), (10.0, 0.847, 32), (20.0, 0.623, 51)]


@pytest.mark.parametrize("hz, gain, lag_deg", DETECTOR)
def test_gain_and_lag_are_those_of_the_profile_at_the_true_frequency(rig, hz, gain, lag_deg):
    for row, found_gain, found_lag in (
        (row_at(rig(), hz), "gain_1f", "lag_1f_deg"), (row_at(rig(), hz / 2), "gain_2f", "lag_2f_deg"),
    ):  # fmt: skip
        assert getattr(row, found_gain) == pytest.approx(gain, abs=6e-4)
        assert getattr(row, found_lag) == pytest.approx(-lag_deg, abs=0.51)


# Steel, D = 14 mm2/s, sqrt(D/(pi f)) in mm (D from memory).
@pytest.mark.parametrize("hz, mm", [(1.0, 2.1), (5.0, 0.94), (10.0, 0.67), (20.0, 0.47)])
def test_diffusion_lengths_of_steel(rig, hz, mm):
    assert row_at(rig(), hz).diffusion_mm == pytest.approx(mm, rel=0.02)


def test_the_noise_is_what_the_lock_in_leaves_of_the_frames_noise(rig):
    """7 Hz at 8.7 frames/s: both harmonics are seen as aliases. 50 mK at 100 counts/K, memory 20 s."""
    known = basis(rig(camera={"frame_rate_hz": 8.7}, lockin={"memory_s": 20.0}))
    lock_in = LockIn((60, 60), harmonics=2, memory_frames=20 * 8.7)
    rng = np.random.default_rng(3)
    for n in range(5 * 174):
        counts = 30000 + 5 * rng.standard_normal((60, 60))
        lock_in.add(np.rint(counts).astype(np.uint16), n / 8.7, 2 * np.pi * 7 * n / 8.7)
    found = lock_in.solve()
    for k in (1, 2):
        seen_K = np.concatenate([found.maps[k - 1].real, found.maps[k - 1].imag]).std() / 100
        gain = 1 / math.hypot(1, 2 * math.pi * k * 7 * 0.010)
        assert known.harmonic_noise_K(7.0, k, 20.0) == pytest.approx(seen_K / gain, rel=0.04)


PLATE = {"geometry": "plate", "width_mm": None, "thickness_mm": None, "notch_mm": 0.0}


def noisy_fits(rig_, sd_MPa, stress_MPa, count, seed=5):
    """Tip fits of a closed-form centre crack (12 mm from its centre to the tip) under `count` draws of noise."""
    view = rig_.view
    at = (view.datum_px[0], view.datum_px[1] + 12.0 / view.mm_per_px)
    made = plates.centre_crack((120, 160), at, 0.0, view.mm_per_px, half_mm=12.0, stress_MPa=stress_MPa, sub=2)
    rng, usable = np.random.default_rng(seed), np.ones((120, 160), bool)
    for _ in range(count):
        stress = made.sum_MPa + sd_MPa * rng.standard_normal(made.sum_MPa.shape)
        yield made, tip.refine(rig_, stress, sd_MPa, usable, at, 0.0, 7.0, made.KI_MPa_sqrt_m)


def test_deviations_of_K_and_tip_are_those_of_repeated_fits(rig):
    """Without the prior of the series, so that noise is all there is; bias does not matter here."""
    r = rig(specimen=PLATE, fit={"inner_mm": 0.8, "outer_mm": 5.0, "terms": 4})
    known = basis(r)
    noise_MPa = 2 * known.harmonic_noise_K(7.0, 1, 60.0) / known.K_per_MPa
    fits = list(noisy_fits(r, noise_MPa, 60.0, 120))
    assert all(fit is not None for _, fit in fits)
    K_sd, tip_sd = Fits(known, 12.0).sd(fits[0][0].KI_MPa_sqrt_m, 7.0, 60.0)
    assert np.std([fit.K_I for _, fit in fits]) == pytest.approx(K_sd, rel=0.2)  # 3 deviations of 120 draws
    assert np.std([fit.crack_mm for _, fit in fits]) == pytest.approx(tip_sd, rel=0.2)


def test_thinned_pixels_stand_for_all_of_them(rig, monkeypatch):
    known = basis(rig())
    full = Fits(known, 12.0).sd(20.0, 7.0, 60.0)
    monkeypatch.setattr("edge.forecast.MOST_PIXELS", 2000)
    assert Fits(known, 12.0).sd(20.0, 7.0, 60.0) == pytest.approx(full, rel=0.1)


def test_from_the_smallest_dK_every_fix_has_a_tip_and_well_below_it_most_have_none(rig):
    r = rig(specimen=PLATE)
    known = basis(r)
    noise_MPa = 2 * known.harmonic_noise_K(7.0, 1, 60.0) / known.K_per_MPa
    smallest = Fits(known, 12.0).smallest_dK(7.0, 60.0)
    found = {}
    for factor in (1.1, 0.07):
        stress_MPa = factor * smallest / np.sqrt(np.pi * 12e-3)
        fits = [fit for _, fit in noisy_fits(r, noise_MPa, stress_MPa, 20)]
        found[factor] = sum(f is not None and tip.acceptable(f, np.ones((120, 160), bool), 0.15) for f in fits)
    assert found[1.1] >= 19 and found[0.07] < 10


def test_expected_K_is_the_handbooks(rig):
    """a/W = 0.2 by Tada: F = 1.367; 8.4 kN on 30 x 4 mm are 70 MPa."""
    r = rig()
    assert delta_K(r, np.array([6.0]))[0] == pytest.approx(70 * np.sqrt(np.pi * 6e-3) * 1.367, rel=1e-3)
    assert np.isnan(delta_K(rig(load={"nominal_range_kN": None}), np.array([6.0]))).all()


def test_zones_and_least_ligament_of_the_sizes_by_hand(rig):
    """R = 0, plane stress: zones 2 r_y = (K/yield)^2/pi long (Irwin), the reversed one a quarter (Rice); ligament of E647's
    C(T), (4/pi)(Kmax/yield)^2; all from memory. 14 kN, so that the last sizes are too large for K."""
    r = rig(load={"nominal_range_kN": 14.0})
    table = list(at_sizes(basis(r), 7.0, 60.0))
    for row in table:
        in_m = (row.dK_MPa_sqrt_m / 350.0) ** 2
        assert row.plastic_zone_mm == pytest.approx(1e3 * in_m / np.pi)
        assert row.reversed_zone_mm == pytest.approx(1e3 * in_m / np.pi / 4)
        assert row.small_scale == (30.0 - row.crack_mm >= 4e3 / np.pi * in_m)
    assert {row.small_scale for row in table} == {True, False}


def test_the_least_ligament_of_a_centre_crack_is_its_own_rule(rig):
    """W - 2a >= 1.25 Pmax/(B yield) (ASTM E647, from memory), and none is told of a plate of no named shape."""
    r = rig(specimen={"geometry": "MT", "width_mm": 60.0, "thickness_mm": 4.0}, load={"nominal_range_kN": 25.0})
    table = list(at_sizes(basis(r), 7.0, 60.0))
    for row in table:
        assert row.small_scale == (60.0 - 2 * row.crack_mm >= 1.25 * 25e3 / (4.0 * 350.0))
    assert {row.small_scale for row in table} == {True, False}
    plate = rig(specimen={"geometry": "plate", "width_mm": 60.0, "thickness_mm": 4.0})
    assert {row.small_scale for row in at_sizes(basis(plate), 7.0, 60.0)} == {None}


def test_the_smallest_growth_is_that_of_two_fixes_that_differ_by_chance_in_one_of_twenty(rig):
    known = basis(rig())
    row, sd = row_at(rig(), 7.0), Fits(known, 10.0).sd(20.0, 7.0, 60.0)[1]
    two = sd * np.random.default_rng(1).standard_normal((2, 40_000))
    assert np.mean(np.abs(two[1] - two[0]) > row.smallest_growth_mm) == pytest.approx(0.05, abs=0.005)


def test_the_expected_amplitude_is_that_of_a_closed_form_crack(rig):
    """A centre crack of 2a = 50 in a width of 1000 mm, near enough the infinite sheet; 100 MPa gross. The next term of
    the series is 3 r/(4 a) of the first: 2 % at the inner radius."""
    r = rig(
        specimen={"geometry": "MT", "width_mm": 1000.0, "notch_mm": 25.0, "thickness_mm": 1.0},
        load={"nominal_range_kN": 100.0}, view={"datum_px": [58.0, -100.0]},
    )  # fmt: skip
    at = next(at_sizes(basis(r), 7.0, 60.0))
    half_K = 3.1e-6 * 295.15 / 2
    exact = half_K * plates.centre_crack_sum(np.array(at.inner_mm), np.array(0.0), 25.0, 100.0)
    assert at.crack_mm == 25.0
    assert at.inner_amplitude_K == pytest.approx(float(exact), rel=0.03)
    assert make_plan(r).far_amplitude_K == pytest.approx(half_K * 100.0)


def test_cycles_are_the_integral_of_the_paris_line(rig):
    r = rig(specimen={"paris_C": 1e-8, "paris_m": 3.0})

    def per_mm(a):
        return 1 / (1e-8 * handbook.delta_K_MPa_sqrt_m("SENT", 8.4, a, 30.0, 4.0) ** 3.0)

    for at in at_sizes(basis(r), 7.0, 60.0):
        assert at.cycles == pytest.approx(quad(per_mm, 6.0, at.crack_mm)[0], rel=1e-5, abs=1e-6)
    assert all(math.isnan(at.cycles) for at in at_sizes(basis(rig()), 7.0, 60.0))


@pytest.mark.parametrize("rate_hz", chosen(RATES, 0, 2, 4))
def test_proposed_frequencies_collide_with_nothing_though_rate_and_load_are_a_little_off(rig, rate_hz):
    r = rig(camera={"frame_rate_hz": rate_hz}, load={"frequency_hz": 5.0})
    made = make_plan(r)
    proposed = [f for f in made.frequencies if f.frequency_hz != 5.0]
    assert len(proposed) >= 6
    for f in proposed:
        assert f.state == "clear"
        for off in (-0.005, 0.0, 0.005):
            rate = rate_hz * (1 + off)
            assert not collisions(f.frequency_hz * 1.002, rate, 60.0, 50.0).spoiled & {1, 2}
            assert min(folded_hz(k * f.frequency_hz, rate) for k in (1, 2)) > 0.2
    assert made.frequency_hz in [f.frequency_hz for f in made.frequencies if f.state == "clear"]


def test_a_colliding_frequency_is_refused_with_reason_and_remedy(rig):
    made = make_plan(rig(load={"frequency_hz": 5.0}))
    assert made.frequency_hz != 5.0
    assert "not 5 Hz: 2f = 10 Hz and 3f = 15 Hz are seen at the same 10 Hz" in made.frequency_reason
    assert any(w.startswith("do not run at 5 Hz") and "nearest clear frequency is 5.1 Hz" in w for w in made.warnings)


def test_a_frequency_that_collides_if_the_frame_rate_is_off_is_told_from_one_that_collides(rig):
    """2f and 3f meet at 5 Hz; at 5.02 Hz they are 0.1 Hz apart, and 0.5 % of 25 frames/s are 0.125 Hz."""
    assert row_at(rig(load={"frequency_hz": 5.02}), 5.02).state == "near"
    made = make_plan(rig(load={"frequency_hz": 5.02}))
    assert any(w.startswith("be careful at 5.02 Hz: with the frame rate a little off") for w in made.warnings)


def test_a_good_planned_frequency_is_kept_and_a_poor_one_is_not(rig, plain_plan):
    assert DEFAULTS["load"]["frequency_hz"] == plain_plan.frequency_hz == 7.0
    slow = make_plan(rig(load={"frequency_hz": 1.0}))
    assert slow.frequency_hz > 4.0 and "1 Hz is clear too" in slow.frequency_reason


def test_a_slower_detector_makes_slower_loads_better(rig, plain_plan):
    fast, slow = (make_plan(rig(PROFILE.replace("0.010", tau))) for tau in ("0.003", "0.040"))
    best = [min(made.frequencies, key=lambda f: f.cost).frequency_hz for made in (fast, plain_plan, slow)]
    assert best[0] > best[1] > best[2]


def test_a_measured_response_is_not_trusted_beyond_its_rows(rig):
    table = "".join(f"[[response]]\nfrequency_hz = {f}\ngain = 0.9\nphase_deg = -20.0\n" for f in (1.0, 4.0, 12.0))
    r = rig(PROFILE + table)
    assert row_at(r, 6.0).state == "clear"
    assert row_at(r, 8.0).state == "unmeasured" and "does not reach 16 Hz" in row_at(r, 8.0).reasons[0]
    assert make_plan(r).frequency_hz <= 6.6


def test_the_memory_grows_with_the_noise_and_shrinks_with_the_crack_growth(rig, plain_plan):
    def memory(netd="0.050", **paris):
        return make_plan(rig(PROFILE.replace("0.050", netd), specimen=paris))

    assert memory("0.010").memory_s < plain_plan.memory_s < memory("0.090").memory_s
    fast = memory(paris_C=1e-7, paris_m=3.0)
    assert fast.memory_s < plain_plan.memory_s and "lags behind the growth" in fast.memory_reason
    assert memory(paris_C=1e-11, paris_m=3.0).memory_s == plain_plan.memory_s


def test_where_ten_seconds_are_too_long_the_memory_is_as_long_as_the_lag_allows(rig):
    """To whole seconds: shorter ones only add noise."""
    fast = rig(specimen={"paris_C": 1e-6, "paris_m": 3.0})
    plan = make_plan(fast)
    sizes = [a for a in plan.sizes if a.in_view and a.small_scale]
    longest_s = longest_memory_s(sizes[(len(sizes) - 1) // 2], plan.frequency_hz, 0.05)
    assert 2 < longest_s < 10 and plan.memory_s == int(longest_s) and "lags behind the growth" in plan.memory_reason


def test_the_lag_of_a_memory_is_that_of_its_mean_age(rig):
    """A crack of constant rate, averaged with weights exp(-2 t/memory)."""
    at = next(at_sizes(basis(rig(specimen={"paris_C": 1e-8, "paris_m": 3.0})), 7.0, 60.0))
    memory_s = longest_memory_s(at, 7.0, 0.05)
    age = np.linspace(0, 20 * memory_s, 200001)
    weight = np.exp(-2 * age / memory_s)
    lag = np.sum(weight * age * at.growth_mm_per_cycle * 7.0) / np.sum(weight)
    assert lag == pytest.approx(0.05, rel=1e-3)


VIEWS = [
    # growth, datum (row, column) -> tip of a 6 mm crack (40 px), view
    (0.0, [58.0, 18.0], (58.0, 58.0), (0.0, 141 * 0.15)),
    (180.0, [58.0, 150.0], (58.0, 110.0), (0.0, 150 * 0.15)),
    (90.0, [118.0, 80.0], (78.0, 80.0), (0.0, 118 * 0.15)),
    (-90.0, [-10.0, 80.0], (30.0, 80.0), (10 * 0.15, 129 * 0.15)),
    (90.0, [-10.0, 80.0], (-50.0, 80.0), None),
]


@pytest.mark.parametrize("angle, datum, tip_at, seen", VIEWS)
def test_the_view_is_followed_in_the_direction_of_growth(rig, angle, datum, tip_at, seen):
    r = rig(view={"growth_angle_deg": angle, "datum_px": datum})
    assert tip_px(r, 6.0) == pytest.approx(tip_at)
    assert view_mm(r) == (None if seen is None else pytest.approx(seen, abs=0.02))
    lost = any("does not cross the image" in w for w in make_plan(r).warnings)
    assert lost == (seen is None)


@pytest.mark.parametrize("geometry", ["SENT", "SENT-clamped", "CT", "MT", "ESET"])
def test_every_geometry_gets_sizes_within_its_handbook(rig, geometry):
    r = rig(specimen={"geometry": geometry, "free_length_mm": 120.0, "width_mm": 40.0})
    sizes = crack_sizes(r)
    assert np.all(np.diff(sizes) > 0) and np.isfinite(delta_K(r, sizes)).all()
    assert sizes[0] == max(6.0, 0.2 * 40 if geometry == "CT" else 0.0)


CONDITIONS = [
    ({"fit": {"inner_mm": 0.4}}, "leave inner_mm out or raise it"),
    ({"load": {"nominal_range_kN": 12.0}}, "K no longer describes the tip"),
    ({"view": {"datum_px": [58.0, 100.0]}}, "not in view"),
    ({"camera": {"counts_per_K": 5.0}}, "one count is 200 mK"),
    ({"records": {"serial_port": "/dev/ttyS1", "serial_baud": 300, "every_s": 5.0}}, "one row takes 11 s"),
    ({"camera": {"frame_rate_hz": 8.7}, "load": {"frequency_hz": 7.5}}, "keep lamps"),
    ({"specimen": {"paris_C": 1e-8, "paris_m": 3.0}}, "expect a lag"),
    ({"specimen": {"paris_C": 1e-8, "paris_m": 3.0, "notch_mm": 0.3}}, "not from the notch of 0.3 mm"),
    ({"specimen": {"notch_mm": 28.5}}, "no handbook K at"),
    ({"specimen": {"geometry": "SENT-clamped", "free_length_mm": 50.0}}, "free_length_mm = 50 is below twice the width"),
]


@pytest.mark.parametrize("changes, sentence", CONDITIONS)
def test_what_to_mend_is_said_where_it_applies_and_only_there(rig, harmless_plan, changes, sentence):
    assert any(sentence in w for w in make_plan(rig(**changes)).warnings)
    assert not any(sentence in w for w in harmless_plan.warnings)


def test_no_amplitude_is_told_where_the_t_stress_is_unknown(rig):
    """Of the C(T) there is no table, and T of zero is not what it has."""
    text = as_text(made := make_plan(rig(specimen={"geometry": "CT"})))
    assert all(math.isnan(a.T_MPa) and math.isnan(a.inner_amplitude_K) and math.isnan(a.outer_amplitude_K) for a in made.sizes)
    assert "inner mK" not in text and '"inner_amplitude_K": null' in as_json(made)


ASSUMED = [
    ({"profile": None}, "does not exist yet: time constant 10 ms"),
    ({"camera": {"profile": None}}, "no camera profile: time constant 10 ms"),
    ({"profile": "tau_s = 0.009\n"}, "noise of one frame 50 mK"),
    ({"specimen": {"temperature_C": None}, "camera": {"zero_K": 0.0}}, "22 degrees Celsius"),
    ({"load": {"nominal_range_kN": None}}, "no nominal_range_kN"),
]


@pytest.mark.parametrize("changes, sentence", ASSUMED)
def test_what_had_to_be_assumed_is_said(rig, plain_plan, changes, sentence):
    assert plain_plan.assumed == ()
    assert any(sentence in s for s in make_plan(rig(**changes)).assumed)


@pytest.mark.parametrize("harmonics", [2, 3])
def test_the_card_holds_what_is_announced(harmonics, tmp_path):
    """Against the maps file that a run leaves; rows of 320 bytes."""
    keys = {"lockin": {"harmonics": harmonics}, "records": {"every_s": 10.0, "maps_every_s": 600.0, "budget_MB": 2000.0}}
    r = load_rig(recordings.write(tmp_path, plates.centre_crack(), frames=300, rig=keys).rig)
    assert cli.main(["run", str(r.path)]) == 0
    maps = max((tmp_path / "out").glob("maps-*.npz"))
    found = plan.storage(r)
    assert found.maps_MB_per_day == pytest.approx(144 * maps.stat().st_size / 1e6, rel=0.01)
    assert found.rows_MB_per_day == pytest.approx(8640 * 320 / 1e6)
    assert found.days_to_budget == pytest.approx(2000 / (found.maps_MB_per_day + found.rows_MB_per_day))


def test_large_numbers_of_the_text_are_no_powers_of_ten(rig):
    large = rig(camera={"rows": 480, "columns": 640}, view={"mm_per_px": 0.05}, load={"nominal_range_kN": 800.0})
    assert "maps 1107 MB" in (text := as_text(make_plan(large))) and "e+" not in text


def test_json_and_text_say_the_same(rig, capsys):
    r = rig(view={"datum_px": [58.0, 100.0]})  # long cracks are out of view: values that are not known
    assert cli.main(["plan", str(r.path), "--json"]) == 0
    found = json.loads(capsys.readouterr().out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))
    assert cli.main(["plan", str(r.path)]) == 0
    text = capsys.readouterr().out
    assert f"load frequency  {found['frequency_hz']:g} Hz" in text and f"{found['memory_s']:g} s: " in text
    assert found["sizes"][-1]["dK_sd"] is None and found["sizes"][-1]["in_view"] is False
    assert found["sizes"][0]["dK_MPa_sqrt_m"] == pytest.approx(13.13, abs=0.01)
    flat = " ".join(text.split())
    assert all(sentence in flat for sentence in found["warnings"] + found["assumed"])
    assert len(found["frequencies"]) == len([line for line in text.splitlines() if "  clear  " in line])
    assert max(map(len, text.splitlines())) <= 125


@pytest.mark.parametrize("changes", [{}, {"load": {"nominal_range_kN": None}}, {"specimen": PLATE}])
def test_the_picture_is_drawn_with_and_without_expectations(rig, tmp_path, changes, capsys):
    paris = {"paris_C": 1e-8, "paris_m": 3.0}
    r = rig(specimen=changes.get("specimen", {}) | paris, load=changes.get("load", {}))
    assert cli.main(["plan", str(r.path), "--picture", str(tmp_path / "plan.png")]) == 0
    image = cv2.imread(str(tmp_path / "plan.png"))
    assert image.shape[1] > 1500
    thirds = [image[: image.shape[0] // 2, i * image.shape[1] // 3 : (i + 1) * image.shape[1] // 3] for i in range(3)]
    drawn = [float((part < 200).any(axis=2).mean()) for part in thirds]
    assert min(drawn[:2]) > 0.02  # curves against frequency
    assert (drawn[2] > 0.2) == (changes == {})  # the map needs an expected dK


def test_a_picture_that_cannot_be_written_is_one_line_and_exit_2(rig, tmp_path, capsys):
    path = str(rig().path)
    for name, said in (("plan.txt", "ends in .png"), ("no/such/plan.png", "a folder that exists")):
        assert cli.main(["plan", path, "--picture", str(tmp_path / name)]) == 2
        out, err = capsys.readouterr()
        assert out == "" and err.count("\n") == 1 and said in err
    (tmp_path / "taken.png").mkdir()
    with pytest.raises(InputError, match="cannot be written"):
        plan.main(rig().path, False, tmp_path / "taken.png")


def test_no_clear_frequency_within_reach_is_said(rig):
    """At 1.2 frames/s with flicker of 50 Hz, half a per cent of 100 Hz is nearly the frame rate."""
    r = rig(camera={"frame_rate_hz": 1.2}, load={"frequency_hz": 0.6})
    assert clear_hz(r, 0.6, 0.5) is None
    made = make_plan(r)
    assert made.frequency_hz == 0.6 and "no clear frequency" in made.frequency_reason
    assert as_text(made) and json.loads(as_json(made))["frequencies"][0]["state"] == "collides"


def test_the_first_size_alone_is_no_curve_of_growth():
    """Its cycles are 0 whether or not there is a handbook K for the sizes after it."""
    axes = Figure().subplots()
    sizes = [SimpleNamespace(cycles=c, K_MPa_sqrt_m_per_kN=math.nan, crack_mm=a) for a, c in ((8.0, 0.0), (12.0, math.nan))]
    plan_picture._life(axes, SimpleNamespace(rig=SimpleNamespace(specimen=SimpleNamespace(geometry="plate"))), sizes)
    assert not axes.lines and [t.get_text() for t in axes.texts] == ["no handbook K for plate"]


@pytest.mark.parametrize("paris, range_kN, said", [
    ({}, None, "needs paris_C, paris_m and nominal_range_kN"),
    ({"paris_C": 1e-8, "paris_m": 3.0}, None, "needs nominal_range_kN"),
    ({}, 9.0, "needs paris_C and paris_m"),
    ({"paris_C": 1e-8, "paris_m": 3.0}, 9.0, "needs handbook K at two sizes or more"),
])  # fmt: skip
def test_the_empty_curve_of_growth_names_only_what_is_missing(rig, paris, range_kN, said):
    axes = Figure().subplots()
    sizes = [SimpleNamespace(cycles=c, K_MPa_sqrt_m_per_kN=1.0, crack_mm=a) for a, c in ((8.0, 0.0), (12.0, math.nan))]
    plan_picture._life(axes, SimpleNamespace(rig=rig(specimen=paris, load={"nominal_range_kN": range_kN})), sizes)
    assert not axes.lines and [t.get_text() for t in axes.texts] == [said]


def test_cracks_whose_tip_hardly_stands_out_of_the_noise_are_named(rig):
    strong, faint = (make_plan(rig(load={"nominal_range_kN": kN})).warnings for kN in (2.0, 0.02))
    assert not any("below the least dK" in w for w in strong)
    assert any("dK is below the least dK" in w and "more load" in w for w in faint)
