"""Contact and dissipation zones in second-harmonic maps that were made up with known lengths, phases and noise."""

import numpy as np
import plates
import pytest
import recordings
from more import chosen

from edge import zones
from edge.bench_field import Ahead, Contact, clipped_harmonics
from edge.closure import EARNED, analyse, told
from edge.record import Row

PLATE = plates.centre_crack(shape=(80, 140), tip_px=(38.4, 96.3))
MM = PLATE.mm_per_px
SD_K = 0.0024  # of a component of h_2: 50 mK a frame, 1500 frames, 14 Hz through a lag of 10 ms
K0_T = recordings.K0_PER_MPA * recordings.SURFACE_K
NOTHING, OPEN = Ahead(peak_K=0.0), Contact(length_mm=0.0)
GAP_DEG = 165.0  # of the made-up zones: contact at -90, dissipation at 75 degrees


def second_harmonic(contact, ahead, sd=SD_K, seed=1, plate=PLATE, turn_deg=0.0):
    """h_2 (K) with noise; turn_deg: both zones turned alike, as by a delay nobody knows."""
    rng = np.random.default_rng(seed)
    zones = recordings.thermal_scene(plate, contact, ahead, sub=3).zones
    h2 = zones[1] if zones else np.zeros(plate.sum_MPa.shape, complex)
    h2 = h2 * np.exp(1j * np.deg2rad(turn_deg))
    return h2 + sd * (rng.standard_normal(h2.shape) + 1j * rng.standard_normal(h2.shape))


def seen(h2, sd=SD_K, plate=PLATE, off_px=(0.0, 0.0), usable=None, h3=None, doubts=None):
    tip = (plate.tip_px[0] + off_px[0], plate.tip_px[1] + off_px[1])
    usable = np.ones(h2.shape, bool) if usable is None else usable
    return analyse(h2, sd, usable, tip, plate.angle_deg, plate.mm_per_px, plate.crack_mm, h3, sd, doubts)


@pytest.mark.parametrize("length_mm", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("opening_fraction", [0.35, 0.5])
def test_contact_is_found_with_its_length_phase_gap_and_amplitude(length_mm, opening_fraction):
    found = seen(second_harmonic(Contact(length_mm=length_mm, opening_fraction=opening_fraction), Ahead()))
    assert found.flags == ()
    assert abs(found.contact_length_mm - length_mm) < 0.3 * length_mm and found.contact_sd_mm < 0.3 * length_mm
    assert abs(found.contact_length_mm - length_mm) < 3.5 * found.contact_sd_mm
    assert abs(found.phase_gap_deg - GAP_DEG) < 25
    made = K0_T * 60.0 * abs(clipped_harmonics(opening_fraction)[2])
    assert abs(found.contact_K - made) < 4 * found.contact_K_sd + 0.1 * made
    assert abs(found.ahead_K - 0.010) < 4 * found.ahead_K_sd + 0.002
    assert abs(found.reversal_mm) < 0.15  # the zones meet at the tip


def turning_mm(h2):
    """Where a map without noise turns over from contact to dissipation on the crack's line, mm ahead of the tip."""
    line = h2[round(PLATE.tip_px[0])]
    along = (line * np.exp(-1j * np.angle(line[int(PLATE.tip_px[1]) + 3]))).real  # positive ahead
    last = int(np.flatnonzero(along[: int(PLATE.tip_px[1]) + 3] < 0)[-1])
    return (last + along[last] / (along[last] - along[last + 1]) - PLATE.tip_px[1]) * MM


def test_deviations_cover_the_truth():
    """Fifteen maps each; the prior of the shapes is not the truth of any of them."""
    for length_mm in (0.8, 2.0, 5.0):
        scene = recordings.thermal_scene(PLATE, Contact(length_mm=length_mm), Ahead(), sub=3).zones[1]
        turns_mm, z = turning_mm(scene), {"length": [], "gap": [], "reversal": [], "ahead": []}
        for seed in range(15):
            rng = np.random.default_rng(seed)
            found = seen(scene + SD_K * (rng.standard_normal(scene.shape) + 1j * rng.standard_normal(scene.shape)))
            if found.contact_length_mm is not None:
                z["length"].append((found.contact_length_mm - length_mm) / found.contact_sd_mm)
                z["gap"].append((found.phase_gap_deg - GAP_DEG) / found.phase_gap_sd_deg)
                z["reversal"].append((found.reversal_mm - turns_mm) / found.reversal_sd_mm)
            z["ahead"].append(found.ahead_K / found.ahead_K_sd)
        assert len(z["length"]) >= 13
        for name, most in (("length", 1.5), ("gap", 1.5), ("reversal", 1.8)):
            assert 0.3 < np.sqrt(np.mean(np.square(z[name]))) < most, (length_mm, name)
        assert 0.3 < np.std(z["ahead"]) < 1.5, length_mm  # about its mean: strips lower the made-up peak a little


@pytest.mark.parametrize("length_mm", [2.0, 4.0, 8.0])
def test_contact_length_in_little_noise(length_mm):
    """Ten minutes of memory."""
    sd = SD_K / np.sqrt(10)
    for seed in range(4):
        found = seen(second_harmonic(Contact(length_mm=length_mm), Ahead(), sd, seed), sd)
        assert abs(found.contact_length_mm - length_mm) < 4 * found.contact_sd_mm


def test_more_noise_means_a_larger_deviation():
    deviations = []
    for sd in (SD_K / 4, SD_K, 2 * SD_K):
        found = seen(second_harmonic(Contact(length_mm=3.0), Ahead(), sd), sd)
        assert abs(found.contact_length_mm - 3.0) < 4 * found.contact_sd_mm
        deviations.append(found.contact_sd_mm)
    assert deviations == sorted(deviations) and deviations[2] > 2 * deviations[0]


@pytest.mark.parametrize("turn_deg", [90.0, 180.0, -130.0])
def test_absolute_phase_does_not_matter(turn_deg):
    h2 = second_harmonic(Contact(), Ahead(), seed=3)
    straight, turned = seen(h2), seen(h2 * np.exp(1j * np.deg2rad(turn_deg)))
    assert abs(straight.contact_length_mm - 2.0) < 3.5 * straight.contact_sd_mm < 3.5
    for name in ("contact_length_mm", "contact_sd_mm", "contact_K", "phase_gap_deg"):
        assert getattr(turned, name) == pytest.approx(getattr(straight, name), rel=1e-6)


@pytest.mark.parametrize("angle_deg", [180.0, 90.0, -30.0])
def test_zones_are_found_along_any_direction_of_growth(angle_deg):
    plate = plates.centre_crack(shape=(120, 120), tip_px=(60.2, 59.7), angle_deg=angle_deg)
    found = seen(second_harmonic(Contact(length_mm=3.0), Ahead(), plate=plate), plate=plate)
    assert abs(found.contact_length_mm - 3.0) < 3.5 * found.contact_sd_mm < 3.5 * 0.9
    assert abs(found.phase_gap_deg - GAP_DEG) < 25


def test_an_open_crack_shows_its_zone_ahead_and_no_contact():
    for seed in range(20):
        off = np.random.default_rng([seed, 2]).uniform(-0.25, 0.25, 2)  # the tip is not known better
        found = seen(second_harmonic(OPEN, Ahead(), seed=seed), off_px=off)
        assert found.contact_length_mm is None and found.contact_K is None and found.contact_sd_mm is None
        assert found.phase_gap_deg is None and found.reversal_mm is None
        assert set(found.flags) == {"no_contact", "ahead_only"}
        assert abs(found.ahead_K - 0.010) < 4 * found.ahead_K_sd + 0.002


@pytest.mark.parametrize("size_mm, place_mm, peak_K", [(0.2, 0.1, 0.02), (0.8, 0.6, 0.01), (0.4, 0.0, 0.05)])
def test_zones_ahead_of_other_shapes_are_no_contact_either(size_mm, place_mm, peak_K):
    for seed in range(5):
        found = seen(second_harmonic(OPEN, Ahead(peak_K, 75.0, place_mm, size_mm), seed=seed))
        assert found.contact_length_mm is None and "no_contact" in found.flags


@pytest.mark.parametrize("over_noise", [20.0, 40.0, 80.0])
@pytest.mark.parametrize("size_px", chosen([1.2, 1.7, 2.2], 1))
def test_a_zone_far_above_the_noise_earns_the_other_one_nothing(over_noise, size_px):
    """Whatever lies between the places of the grid of shapes: strong dissipation, or noise of a long memory."""
    x = np.arange(-60.0, 31.0) + 0.37
    for seed in range(20):
        rng = np.random.default_rng(seed)
        place_px, noise = rng.uniform(1.0, 3.0), rng.standard_normal((2, x.size))
        values = over_noise * zones.bell(x, place_px, size_px) + noise[0] + 1j * noise[1]
        found = zones.two_zones(zones.Profile(x, values, np.ones(x.size), 1.8))
        assert found.gain_taper < EARNED


OTHER_SHAPES = {  # of a zone ahead, place and size in px
    "long tails": lambda u: 1 / (1 + (u / 2) ** 2),
    "tails": lambda u: 1 / (1 + (u / 2) ** 2) ** 2,
    "flat top": lambda u: 1 / (1 + (u / 3) ** 4),
}


@pytest.mark.parametrize("over_noise", chosen([10.0, 20.0, 40.0, 80.0], 2))
@pytest.mark.parametrize("shape", OTHER_SHAPES)
def test_a_zone_that_is_no_bell_turns_no_phase(shape, over_noise):
    """A wider bell less a taper would explain its tails; but they are in phase with it."""
    x = np.arange(-60.0, 31.0) + 0.37
    for seed in range(15):
        rng = np.random.default_rng(seed)
        place_px, noise = rng.uniform(0.5, 3.0), rng.standard_normal((2, x.size))
        values = over_noise * OTHER_SHAPES[shape](x - place_px) + noise[0] + 1j * noise[1]
        contact, ahead, _ = told(zones.two_zones(zones.Profile(x, values, np.ones(x.size), 1.8)))
        assert not contact and (ahead or over_noise <= 20)  # a short one close to the tip might be either


def test_a_length_is_known_less_well_where_the_zones_do_not_explain_the_profile():
    """Contact that fades as half a bell does, far above the noise: a taper leaves more of it than noise would."""
    x, noise = np.arange(-60.0, 31.0) + 0.37, np.random.default_rng(5).standard_normal((2, 91))

    def length_sd(fades):
        values = -80 * fades(-(x + 0.5) / 15.0) * zones.taper_edge(x + 0.5) + 40 * zones.bell(x, 2.0, 2.0)
        return zones.two_zones(zones.Profile(x, values + noise[0] + 1j * noise[1], np.ones(x.size), 1.8)).end_sd_px

    assert length_sd(lambda u: np.exp(-2 * u**2)) > 1.3 * length_sd(lambda u: np.clip(1 - u, 0, 1))


def test_short_contact_under_the_tail_of_the_zone_ahead_is_told_or_said_to_be_unsure():
    """0.6 mm of 0.1 mm pixels, smeared by 0.25 mm: the profile hardly turns its phase."""
    x = np.arange(-60.0, 31.0) + 0.37
    said = []
    for seed in range(20):
        noise = np.random.default_rng(seed).standard_normal((2, x.size))
        ahead, behind = 10 * zones.bell(x, 3.0, 4.0), 11 * zones.taper(x, 0.0, 5.0) * np.exp(1j * np.deg2rad(165))
        said.append(told(zones.two_zones(zones.Profile(x, ahead + behind + noise[0] + 1j * noise[1], np.ones(x.size), 1.8))))
    assert all(s.ahead and s.contact != s.unsure for s in said)
    assert any(s.contact for s in said) and any(s.unsure for s in said)


def test_deviations_of_faint_zones_are_those_of_all_models(monkeypatch):
    x = np.arange(-110.0, 31.0) + 0.37
    noise = np.random.default_rng(3).standard_normal((2, x.size))
    values = 3.0 * zones.bell(x, 2.0, 3.0) - 4.0 * zones.taper(x, -0.5, 18.0) + noise[0] + 1j * noise[1]
    profile = zones.Profile(x, values, np.ones(x.size), 1.8)
    some = zones.two_zones(profile)
    monkeypatch.setattr(zones, "MOST_MODELS", 200_000)
    every = zones.two_zones(profile)
    for name in ("end_px", "end_sd_px", "C_K", "C_sd_K", "gap_deg", "gap_sd_deg"):
        assert getattr(some, name) == pytest.approx(getattr(every, name), rel=0.05, abs=0.02), name
    assert zones.reversal_px(some.models) == pytest.approx(zones.reversal_px(every.models), rel=0.05, abs=0.02)


OTHER_CONTACT = {  # of contact of length 1 behind 0, at u behind it
    "fading": lambda u: np.exp(-2 * np.minimum(u, 50)),
    "even": lambda u: np.clip((1.05 - u) / 0.1, 0, 1),
    "strongest in its middle": lambda u: np.clip(3 * u, 0, 1) * np.clip(1.3 - u, 0, 1),
    "round": lambda u: np.clip(1 - u * u, 0, 1),
}


@pytest.mark.parametrize("ahead", [0.0, 0.5])
@pytest.mark.parametrize("shape", OTHER_CONTACT)
def test_contact_that_is_no_taper_is_contact_and_makes_no_zone_ahead(shape, ahead):
    x = np.arange(-60.0, 31.0) + 0.37
    for seed in range(4):
        for over_noise in (20.0, 80.0):
            rng = np.random.default_rng(seed)
            length_px, noise = rng.uniform(6, 25), rng.standard_normal((2, x.size))
            contact = OTHER_CONTACT[shape](-(x + 0.5) / length_px) * zones.taper_edge(x + 0.5)
            values = over_noise * (ahead * zones.bell(x, 2.0, 2.0) * np.exp(0.2j) - contact) + noise[0] + 1j * noise[1]
            found = zones.two_zones(zones.Profile(x, values, np.ones(x.size), 1.8), 80.0)
            assert told(found) == (True, ahead > 0, False)
            assert 0.9 < found.end_px / length_px < 1.6  # what hw_notes/physics.md says of its limits


@pytest.mark.long
def test_noise_alone_shows_no_contact_in_thousands_of_open_cracks():
    x = np.arange(-60.0, 31.0) + 0.37
    found = 0
    for seed in range(2000):
        rng = np.random.default_rng(seed)
        place_px, size_px, noise = rng.uniform(0.5, 3.5), rng.uniform(1.2, 3.5), rng.standard_normal((2, x.size))
        values = rng.uniform(0, 25) * zones.bell(x, place_px, size_px) + noise[0] + 1j * noise[1]
        found += told(zones.two_zones(zones.Profile(x, values, np.ones(x.size), 1.8)))[0]
    assert found <= 1


def test_a_zone_earns_less_where_even_both_do_not_explain_the_profile():
    """Dissipation that is no bell, seen ten times better, stays as unlike one: it earns the other zone no more."""
    x = np.arange(-60.0, 31.0) + 0.37
    noise = np.random.default_rng(5).standard_normal((2, x.size))
    shape = 1 / (1 + ((x - 4.0) / 5.0) ** 4)
    gains = [
        zones.two_zones(zones.Profile(x, over_noise * shape + noise[0] + 1j * noise[1], np.ones(x.size), 1.8)).gain_taper
        for over_noise in (300.0, 3000.0)
    ]
    assert gains[1] < 1.5 * gains[0]  # of the chi-square alone a hundred times as much


def test_heat_behind_the_tip_in_phase_with_that_ahead_is_no_contact():
    """Plastic wake, or the dissipation zone's own tail: told apart by the phase between the zones."""
    rows, columns = np.indices(PLATE.sum_MPa.shape)
    x, y = plates.crack_coordinates(rows, columns, PLATE.tip_px, PLATE.angle_deg, MM)
    tail = np.where(x < 0, np.clip(1 + x / 2.0, 0, 1), 0) * np.exp(-0.5 * (y / 0.25) ** 2)
    for seed in range(5):
        for turn_deg in (0.0, 60.0):
            h2 = second_harmonic(OPEN, Ahead(), seed=seed)
            found = seen(h2 + 0.006 * tail * np.exp(1j * np.deg2rad(75.0 + turn_deg)))
            assert found.contact_length_mm is None and "no_contact" in found.flags


def test_contact_without_a_zone_ahead_is_found_and_has_no_gap():
    found = seen(second_harmonic(Contact(length_mm=3.0), NOTHING))
    assert abs(found.contact_length_mm - 3.0) < 3.5 * found.contact_sd_mm
    assert found.ahead_K is None and found.phase_gap_deg is None and found.reversal_mm is None
    assert found.flags == ("contact_only",)


def test_nothing_is_found_in_noise():
    for seed in range(8):
        found = seen(second_harmonic(OPEN, NOTHING, seed=seed))
        assert found.contact_length_mm is None and found.ahead_K is None and found.flags == ("no_contact",)


def test_contact_too_weak_for_the_noise_is_not_reported_or_has_a_deviation_to_match():
    reported = 0
    for seed in range(6):
        found = seen(second_harmonic(Contact(length_mm=2.0, stress_MPa=4.0), NOTHING, seed=seed))
        if found.contact_length_mm is not None:
            reported += 1
            assert abs(found.contact_length_mm - 2.0) < 4 * found.contact_sd_mm
    assert reported <= 3  # 1 mK on the line in noise of 2.4 mK a pixel


def test_pixels_that_cannot_be_used_do_not_count():
    h2 = second_harmonic(Contact(length_mm=3.0), Ahead())
    usable = np.random.default_rng(1).random(h2.shape) > 0.1
    h2[~usable] = 3.0
    h2[10:14, :] = np.nan
    found = seen(h2, usable=usable)
    assert abs(found.contact_length_mm - 3.0) < 3.5 * found.contact_sd_mm
    nowhere = seen(h2, usable=np.zeros(h2.shape, bool))
    assert nowhere.contact_length_mm is None and nowhere.flags == ("no_contact",)


# harmonics of a rectified sine: half-wave 1/pi + sin(wt)/2 - 2/pi sum cos(2kwt)/(4k^2-1) (mathematical handbooks)
RECTIFIED = [(0.5, [1 / np.pi, 0.5, 2 / (3 * np.pi), 0.0]), (1.0, [0.5, 0.5, 0.0, 0.0])]


@pytest.mark.parametrize("fraction, expected", RECTIFIED)
def test_contact_pressure_has_the_harmonics_of_a_rectified_sine(fraction, expected):
    assert np.abs(clipped_harmonics(fraction)) == pytest.approx(expected, abs=1e-12)


def test_the_third_harmonic_of_a_clipped_sine_over_its_second_is_a_straight_line():
    """1 - 2 u, by which the opening is read off."""
    for u in np.linspace(0.02, 0.98, 9):
        c = clipped_harmonics(float(u))
        assert c[3] / c[2] == pytest.approx(1 - 2 * u, abs=1e-9)


@pytest.mark.parametrize("fraction", [0.05, 0.2, 0.35, 0.7, 0.95])
def test_contact_pressure_harmonics_equal_the_transform_of_the_clipped_sine(fraction):
    psi = 2 * np.pi * np.arange(200000) / 200000
    pressure = np.maximum(0, np.cos(psi) - (1 - 2 * fraction)) / (2 * fraction)
    spectrum = np.fft.rfft(pressure).real / psi.size
    assert clipped_harmonics(fraction) == pytest.approx([spectrum[0], *(2 * spectrum[1:4])], abs=1e-7)


def test_the_amplitude_of_contact_that_opens_at_mean_load_is_the_half_wave_value():
    """2/(3 pi) of the pressure at minimum load, on the crack line; blur of 0.6 px and the pixel lower its peak."""
    made = K0_T * 60.0 * 2 / (3 * np.pi)
    sd = SD_K / 4
    found = seen(second_harmonic(Contact(length_mm=5.0, opening_fraction=0.5), NOTHING, sd), sd)
    width, blur = 0.25, np.hypot(0.6 * MM, MM / np.sqrt(12))
    assert found.contact_K == pytest.approx(made * width / np.hypot(width, blur), rel=0.06)


def test_no_contact_is_longer_than_the_crack_but_for_the_few_pixels_that_its_start_may_lie_back():
    x = np.arange(-60.0, 30.0)
    values = 1e-3 * (np.where(x < 0, 4.0, 0.0) + 0j)  # even all the way back
    found = zones.two_zones(zones.Profile(x, values, np.full(x.size, 1e-3), 1.8), crack_px=40.0)
    assert 20.0 < found.end_px < 44.0


@pytest.mark.parametrize("fraction", [0.25, 0.5, 0.7])
def test_the_opening_follows_from_third_over_second_harmonic(fraction):
    sd = SD_K / 4
    off = []
    for seed in range(3):
        contact = Contact(length_mm=4.0, stress_MPa=120.0, opening_fraction=fraction)
        scene, rng = recordings.thermal_scene(PLATE, contact, Ahead(), sub=3).zones, np.random.default_rng(seed)
        h2, h3 = (h + sd * (rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape)) for h in scene[1:3])
        found = seen(h2, sd, h3=h3)
        off.append((found.opening_fraction - fraction) / found.opening_sd)
        assert found.opening_sd < 0.1
    assert np.sqrt(np.mean(np.square(off))) < 1.7


@pytest.mark.parametrize("width_mm", [0.1, 0.25])
def test_amplitudes_and_reversal_are_those_of_the_crack_s_line_though_one_zone_is_wider_than_the_other(width_mm):
    """A strip averages the narrower zone lower and the wider one higher: by up to a third, which moves the reversal, too."""
    sd, contact = SD_K * 0.3, Contact(length_mm=4.0, width_mm=width_mm)
    zones_of = (contact, Ahead()), (contact, NOTHING), (OPEN, Ahead())
    scene, only, peak = (recordings.thermal_scene(PLATE, c, a, sub=3).zones[1] for c, a in zones_of)
    col = np.arange(PLATE.tip_px[1] - 0.7 * 4.0 / MM, PLATE.tip_px[1] - 3)
    line = np.interp(col, np.arange(scene.shape[1]), np.abs(only[round(PLATE.tip_px[0])]))
    made = np.array([np.polyfit(col - PLATE.tip_px[1], line, 1)[1], np.abs(peak).max()])
    off, heights = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        found = seen(scene + sd * (rng.standard_normal(scene.shape) + 1j * rng.standard_normal(scene.shape)), sd)
        off.append((found.reversal_mm - turning_mm(scene)) / found.reversal_sd_mm)
        heights.append([found.contact_K, found.ahead_K])
    assert abs(np.mean(off)) < 1.3 and np.mean(heights, 0) / made == pytest.approx(1.0, abs=0.1)


def test_the_opening_of_short_weak_contact_is_right_in_the_mean():
    """Of the shapes that noise allows, not only the likeliest counts, which makes C too large and the third seem too small."""
    off, contact = [], Contact(length_mm=1.2, stress_MPa=50.0, opening_fraction=0.2)
    scene = recordings.thermal_scene(PLATE, contact, Ahead(), sub=3).zones
    for seed in range(14):
        rng = np.random.default_rng(seed)
        h2, h3 = (h + SD_K * (rng.standard_normal(h.shape) + 1j * rng.standard_normal(h.shape)) for h in scene[1:3])
        found = seen(h2, h3=h3)
        off.append((found.opening_fraction - 0.2) / found.opening_sd)
    assert abs(np.mean(off)) < 0.8 and np.sqrt(np.mean(np.square(off))) < 1.4


def test_a_third_harmonic_out_of_step_with_the_second_tells_no_opening():
    sd = SD_K / 4
    scene = recordings.thermal_scene(PLATE, Contact(length_mm=4.0, stress_MPa=120.0), Ahead(), sub=3).zones
    found = seen(second_harmonic(Contact(length_mm=4.0, stress_MPa=120.0), Ahead(), sd), sd, h3=1j * scene[2])
    assert found.contact_length_mm is not None and found.opening_fraction is None


def test_what_may_be_left_of_something_else_is_not_taken_for_contact():
    """A copy of the elastic field, as of a load whose second harmonic is known to 1 % only, along the whole crack."""
    copy = np.clip(-0.01 * 0.5 * K0_T * PLATE.sum_MPa, -0.01, 0.01)
    h2 = second_harmonic(OPEN, NOTHING) + 1j * copy
    assert seen(h2).flags != ("no_contact",)  # else there is nothing to mistake
    assert seen(h2, doubts=copy[None]).flags == ("no_contact",)


def test_the_contact_s_length_in_a_row_has_the_scale_s_deviation_too():
    def row(found, scale_sd):
        found.fill(filled := Row(seq=0, crack_mm=10.0), scale_sd)
        return filled

    found = seen(second_harmonic(Contact(length_mm=4.0), Ahead()))
    plain, wide = row(found, 0.0), row(found, 0.1)
    assert plain.contact_sd_mm == found.contact_sd_mm
    assert wide.contact_sd_mm == pytest.approx(np.hypot(found.contact_sd_mm, 0.1 * found.contact_length_mm))
    assert wide.contact_length_mm == plain.contact_length_mm
    assert row(seen(0j * PLATE.sum_MPa + SD_K), 0.1).contact_sd_mm is None
