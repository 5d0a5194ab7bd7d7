"""Profile along the crack path, area of contact, and the three tips, on second-harmonic maps that were made up."""

import numpy as np
import plates
import pytest
import recordings

from edge import contact
from edge.bench_field import Ahead, Contact

PLATE = plates.centre_crack(shape=(80, 140), tip_px=(38.4, 96.3))
MM = PLATE.mm_per_px
SD_K = 0.0024  # of a component of h_2: 50 mK a frame, 1500 frames, 14 Hz through a lag of 10 ms


def h2_of(length_mm, ahead=None):
    return recordings.thermal_scene(PLATE, Contact(length_mm=length_mm), ahead or Ahead(), sub=3).zones[1]


def noise(seed, sd=SD_K):
    rng = np.random.default_rng(seed)
    return sd * (rng.standard_normal(PLATE.sum_MPa.shape) + 1j * rng.standard_normal(PLATE.sum_MPa.shape))


def path_of(h2, sd=SD_K):
    everywhere = np.ones(h2.shape, bool)
    return contact.path_2f(h2, sd, everywhere, PLATE.tip_px, PLATE.angle_deg, MM, PLATE.crack_mm)


def test_the_profile_is_the_map_s_on_the_crack_line():
    h2 = h2_of(3.0)
    path = path_of(h2 + noise(1))
    row, column = PLATE.tip_px[0], PLATE.tip_px[1] + path.x_mm / MM  # the crack grows to the right
    at = [np.interp(c, np.arange(h2.shape[1]), h2[round(row)]) for c in column]
    inside = (path.x_mm > -2.5) & (path.x_mm < -0.5)
    off = (path.value_K - np.array(at))[inside]
    assert np.all(np.abs(off) < 4 * path.sd_K[inside] + 0.05 * np.abs(at).max())
    assert abs(off.imag.mean()) < 3 * path.sd_K[inside].mean() / np.sqrt(off.size) + 0.05 * np.abs(at).max()
    far = path.x_mm < -6
    spread = np.concatenate([path.value_K[far].real, path.value_K[far].imag]) / np.tile(path.sd_K[far], 2)
    assert spread.std() == pytest.approx(1.0, abs=0.3)
    arrays = path.arrays()
    assert arrays["path_h2"].shape == arrays["path_x_mm"].shape == arrays["path_h2_sd"].shape
    assert path_of(np.full(h2.shape, np.nan, complex)) is None


@pytest.mark.parametrize("length_mm", [1.5, 3.0, 6.0])
def test_the_area_is_that_of_the_half_maximum_contour(length_mm):
    """Counted on a clean map with nothing ahead; the contour of a taper whose front is blurred is a little shorter."""
    clean = np.abs(h2_of(length_mm, Ahead(peak_K=0.0)))
    counted = np.count_nonzero(clean > clean.max() / 2) * MM**2
    found = []
    for seed in range(6):
        path = path_of(h2_of(length_mm) + noise(seed))
        found.append(contact.area_mm2(length_mm, 0.1 * length_mm, path))
    area, sd = np.array(found).T
    assert area.mean() == pytest.approx(counted, rel=0.25)
    assert np.all(sd > 0.1 * area) and np.all(np.abs(area - counted) < 3.5 * sd)


def test_the_maps_file_gets_the_profile_and_the_area_where_there_is_contact():
    path = path_of(h2_of(3.0) + noise(2))
    with_contact = contact.for_maps(path, 3.0, 0.2)
    assert with_contact["contact_area_mm2"] == contact.area_mm2(3.0, 0.2, path)[0]
    assert set(contact.for_maps(path, None, None)) == {k for k in with_contact if k.startswith("path_")}
    assert contact.for_maps(None, 3.0, 0.2) == {}


def test_irwin_s_tip_by_hand():
    """dK = 18 at R = 0.1 is K_max = 20 MPa sqrt(m); r_y = (20/400)^2/(2 pi) m = 0.398 mm (Irwin; from memory)."""
    place, sd = contact.irwin_tip(12.0, 18.0, 0.1, 0.1, 400.0)
    assert place == pytest.approx(12.0 - 0.398, abs=1e-3)
    assert sd == pytest.approx(0.398 * 0.3, rel=0.01)  # 15 % of yield strength are 30 % of r_y
    # at R < 0 the range is that of the tensile part
    assert contact.irwin_tip(12.0, 18.0, 0.1, -1.0, 400.0)[0] == pytest.approx(12.0 - 0.398 * (18 / 20) ** 2, abs=1e-3)


@pytest.mark.parametrize("ratio, dK", [(float("nan"), 18.0), (1.0, 18.0), (0.1, 0.0)])
def test_without_a_largest_load_there_is_no_irwin_tip(ratio, dK):
    assert contact.irwin_tip(12.0, dK, 0.1, ratio, 400.0) is None
