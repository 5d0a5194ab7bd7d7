"""Noise that frames, rows and columns share: its size, what is taken out of the second harmonic, what the deviations say.

Maps are a closed-form centre crack (Westergaard 1939; Sih 1966) with noise of known sizes, all invented.
"""

import cv2
import numpy as np
import plates
import pytest
import recordings
from more import chosen

from edge import closure, region, second_harmonic, shared_noise, williams
from edge.bench_field import Ahead, Contact
from edge.shared_noise import Shared

SHAPE = (96, 128)
PLATE = plates.centre_crack(shape=SHAPE, tip_px=(46.3, 70.4))
ALL = np.ones(SHAPE, bool)
SD_K, SD_MPA = 0.0024, 2.0  # of a component of a pixel at 2f; of a pixel's stress range
LOAD_H2 = 0.03 * np.exp(0.4j)
H1 = -0.5 * recordings.K0_PER_MPA * recordings.SURFACE_K * PLATE.sum_MPa.astype(complex)


def noise(rng: np.random.Generator, shared: Shared) -> np.ndarray:
    """Of a map of SHAPE whose pixels have deviation 1 a component."""

    def normal(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    rows, columns = SHAPE
    return normal(*SHAPE) + shared.frame * normal(1, 1) + shared.row * normal(rows, 1) + shared.column * normal(1, columns)


def far_field() -> np.ndarray:
    rows, columns = np.indices(SHAPE)
    z = williams.to_crack(rows, columns, PLATE.tip_px, PLATE.angle_deg, PLATE.mm_per_px)
    return np.asarray(region.quiet(z, region.Region(1.2, 6.0, 180.0, 1.2, 15, None), 2.0))


@pytest.mark.parametrize("size", [0.1, 0.3, 1.0])
def test_stripes_are_measured_beside_a_crack_s_field_and_other_stripes(size):
    found = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        found.append(shared_noise.measure(LOAD_H2 * H1 + SD_K * noise(rng, Shared(0.2, size, 0.5)), ALL, SD_K, 0.2))
    assert np.mean([f.row for f in found]) == pytest.approx(size, rel=0.12, abs=0.02)
    assert np.mean([f.column for f in found]) == pytest.approx(0.5, rel=0.12)


def test_no_stripes_are_seen_in_plain_noise():
    found = [shared_noise.measure(noise(np.random.default_rng(s), Shared()), ALL, 1.0, 0.0) for s in range(60)]
    assert sum(f.any for f in found) <= 1


def smoothed(h: np.ndarray, sigma_px: float) -> np.ndarray:
    """By a camera's Gaussian filter; real and imaginary part alike."""
    return np.asarray(cv2.GaussianBlur(h.real, (0, 0), sigma_px) + 1j * cv2.GaussianBlur(h.imag, (0, 0), sigma_px))


@pytest.mark.parametrize("sigma_px", [0.6, 0.8, 1.2])
def test_neighbours_that_a_camera_makes_alike_count_as_noisier(sigma_px):
    """A Gaussian of deviation s leaves 1/(4 pi s^2) of a pixel's variance and all of a wide mean's (its integral squared)."""
    found = []
    for seed in range(12):
        own = smoothed(noise(np.random.default_rng(seed), Shared()), sigma_px)
        sd = float(np.sqrt(np.mean(np.abs(own) ** 2) / 2))
        found.append(shared_noise.measure(LOAD_H2 * H1 / SD_K * sd + own, ALL, sd, 0.0))
    assert np.mean([f.patches for f in found]) == pytest.approx(2 * np.sqrt(np.pi) * sigma_px, rel=0.12)
    assert max(max(f.row, f.column) for f in found) < 0.1


def test_rows_that_jump_are_not_taken_for_frames_that_jump():
    """The mean of a few rows, by which whole frames are judged, has their stripes in it."""
    rng = np.random.default_rng(4)
    jumps = np.sqrt(0.3**2 + 0.8**2 / 8 + 0.5**2 / SHAPE[1])
    found = shared_noise.measure(noise(rng, Shared(0.3, 0.8, 0.5)), ALL, 1.0, float(jumps))
    assert found.frame == pytest.approx(0.3, abs=0.1)


SHARED = [Shared(0.5, 0, 0), Shared(0, 0.6, 0), Shared(0, 0, 0.6), Shared(0.3, 0.5, 0.4)]


@pytest.mark.parametrize("shared", SHARED, ids=str)
def test_what_is_left_at_2f_is_as_small_as_it_is_said_to_be(shared):
    """Along the crack, where no far field tells of it: the mean of what is left over its stated deviation."""
    far, near = far_field(), (slice(42, 51), slice(40, 68))
    scores, before, after = [], [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        own = SD_K * noise(rng, Shared())
        rng = np.random.default_rng(seed)
        h2 = LOAD_H2 * H1 + SD_K * noise(rng, shared)
        clean, left = shared_noise.take_out(H1, h2, SD_K, far, shared, LOAD_H2 + 0.002, 1e-4)
        rest = np.mean((clean - LOAD_H2 * H1 - own)[near])
        before.append(np.mean((h2 - LOAD_H2 * H1 - own)[near]))
        after.append(rest)
        copies = np.array([np.mean(H1[near]).real, 1.0])
        variance = copies @ left.covariance @ copies
        variance += np.mean(left.row_sd[near[0]] ** 2) / 9 + np.mean(left.column_sd[near[1]] ** 2) / 28
        scores += [rest.real / np.sqrt(variance), rest.imag / np.sqrt(variance)]
    # an upper limit: stripes are taken as they were before they were taken out, as far as shares of h1 look like them
    assert 0.3 < np.sqrt(np.mean(np.square(scores))) < 1.2
    assert np.sqrt(np.mean(np.abs(after) ** 2)) < 0.5 * np.sqrt(np.mean(np.abs(before) ** 2))


def contact_seen(contact: Contact, shared: Shared, seed: int, known: bool = True) -> closure.Closure:
    """known: whether the noise is dealt with as shared, or taken as plain."""
    zones = recordings.thermal_scene(PLATE, contact, Ahead(), sub=3).zones[1]
    h2, far = LOAD_H2 * H1 + zones + SD_K * noise(np.random.default_rng(seed), shared), far_field()
    where, still_px = (ALL, PLATE.tip_px, PLATE.angle_deg, PLATE.mm_per_px, PLATE.crack_mm), np.full(2, 0.005)
    if not known:
        cleaned = second_harmonic.clean(H1, h2, SD_K, far, LOAD_H2, 1e-4)
        covariance = np.diag([cleaned.share_sd**2, 0])
        return closure.analyse(cleaned.h2, SD_K, *where, doubts=second_harmonic.doubts(H1, covariance, still_px))
    h2, left = shared_noise.take_out(H1, h2, SD_K, far, shared, LOAD_H2, 1e-4)
    cleaned = second_harmonic.clean(H1, h2, SD_K, far, LOAD_H2, 1e-4, left.copies_sd)
    doubts, stripes = second_harmonic.doubts(H1, left.covariance, still_px), (left.row_sd, left.column_sd)
    return closure.analyse(cleaned.h2, SD_K, *where, doubts=doubts, stripes=stripes)


@pytest.mark.parametrize("shared", chosen(SHARED, 1, 3), ids=str)
def test_shared_noise_is_no_contact_and_hides_none(shared):
    for seed in range(7):
        assert contact_seen(Contact(length_mm=0.0), shared, seed).contact_length_mm is None
    scores = []
    for seed in range(7):
        found = contact_seen(Contact(length_mm=3.0), shared, seed)
        assert found.contact_length_mm is not None and found.contact_sd_mm is not None
        scores.append((found.contact_length_mm - 3.0) / found.contact_sd_mm)
    assert np.sqrt(np.mean(np.square(scores))) < 1.5


def test_taken_as_plain_it_makes_contact_where_there_is_none():
    """What all this is for: the same maps without it."""
    shared = Shared(0.3, 0.5, 0.4)
    assert sum(contact_seen(Contact(length_mm=0.0), shared, seed, False).contact_length_mm is not None for seed in range(20)) > 5


@pytest.mark.parametrize("shared", SHARED, ids=str)
def test_deviations_of_tip_K_and_T_cover_noise_that_pixels_share(shared):
    rows, columns = np.indices(SHAPE)
    z = williams.to_crack(rows, columns, PLATE.tip_px, PLATE.angle_deg, PLATE.mm_per_px)
    ring = (np.abs(z) > 1.0) & (np.abs(z) < 5.0) & ((z.real > 0) | (np.abs(z.imag) > 1.0))
    groups = shared.groups(rows[ring], columns[ring], SD_MPA)
    field = PLATE.KI_MPa_sqrt_m * 2 / np.sqrt(2e-3 * np.pi) * np.array([1.0, -0.2, 0.1, 0.02j, 0.01])  # invented
    truth = np.array([0, 0, PLATE.KI_MPa_sqrt_m, 0, field[1].real])
    scores, plain = [], []
    for seed in range(50):
        draw = SD_MPA * noise(np.random.default_rng(seed), shared)
        for part in (draw.real, draw.imag):
            stress = williams.evaluate(field, z[ring]) + part[ring]
            for kept, with_groups in ((scores, groups), (plain, [])):
                s = williams.fit(z[ring], stress, SD_MPA, 5, None, groups=with_groups)
                off = np.array([s.shift.real, s.shift.imag, s.K.real, s.K.imag, s.T_MPa]) - truth
                kept.append(off / np.sqrt(np.diag(s.covariance)))
    assert np.all(np.abs(np.sqrt(np.mean(np.square(scores), axis=0)) - 1) < 0.2)
    assert np.sqrt(np.mean(np.square(plain), axis=0)).max() > 1.3  # of at least one of them
