"""What stands around a pixel, against SciPy's image functions and OpenCV's."""

import cv2
import numpy as np
import pytest
from scipy import ndimage

from edge.surroundings import box_sums, correlations, grown, median_of_neighbours, opened, patches, smoothed

SHAPES = [(24, 31), (5, 40), (8, 8)]


@pytest.fixture
def mask():
    """Invented: points, lines and areas, some at the border."""
    mask = np.random.default_rng(2).random((41, 57)) > 0.97
    mask[10:26, 20:37] = mask[30:, 50:] = mask[:3, :6] = mask[5] = True
    return mask


@pytest.mark.parametrize("width_px", [1, 3, 5, 7, 9, 15])
def test_a_mask_grows_and_opens_as_by_dilation_and_erosion(mask, width_px):
    square = np.ones((width_px, width_px), np.uint8)
    assert np.array_equal(grown(mask, width_px), cv2.dilate(mask.astype(np.uint8), square) > 0)
    wanted = cv2.morphologyEx(mask.astype(np.uint8), cv2.MORPH_OPEN, square) > 0
    assert wanted.any() and np.array_equal(opened(mask, width_px), wanted)


@pytest.mark.parametrize("radius", [1, 4, 11])
def test_correlations_are_those_of_the_plain_sum(radius):
    rng = np.random.default_rng(radius)
    image, patterns = rng.standard_normal((33, 46)), rng.standard_normal((3, 2 * radius + 1, 2 * radius + 1))
    for pattern, found in zip(patterns, correlations(image, patterns), strict=True):
        wanted = cv2.filter2D(image, cv2.CV_64F, pattern, borderType=cv2.BORDER_CONSTANT)
        np.testing.assert_allclose(found, wanted, rtol=0, atol=1e-9)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("width_px", [1, 5, 7])
def test_box_sums_are_scipys(shape, width_px):
    image = np.random.default_rng(width_px).normal(size=shape)
    for beyond, mode in (("constant", "constant"), ("symmetric", "reflect")):
        wanted = ndimage.uniform_filter(image, width_px, mode=mode) * width_px**2
        assert box_sums(image, width_px, beyond) == pytest.approx(wanted, abs=1e-11)
        single = box_sums(image.astype(np.float32), width_px, beyond)
        assert single.dtype == np.float64 and single == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize("shape", SHAPES)
def test_medians_of_the_neighbours_are_scipys(shape):
    rng = np.random.default_rng(5)
    image, some = rng.normal(size=shape), rng.random(shape) > 0.9
    wanted = ndimage.median_filter(image, 5, mode="nearest")
    assert np.array_equal(median_of_neighbours(image), wanted)
    assert np.array_equal(median_of_neighbours(image, some), wanted[some])
    assert median_of_neighbours(image, np.zeros(shape, bool)).shape == (0,)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("sigma_px", [0.5, 0.7, 1.2, 1.5])
def test_maps_are_smoothed_as_scipy_does(shape, sigma_px):
    rng = np.random.default_rng(3)
    image = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    wanted = ndimage.gaussian_filter(image.real, sigma_px) + 1j * ndimage.gaussian_filter(image.imag, sigma_px)
    assert smoothed(image, sigma_px) == pytest.approx(wanted, abs=1e-12)
    real = smoothed(image.real.astype(np.float32), sigma_px)
    assert real.dtype == np.float32 and real == pytest.approx(wanted.real, abs=1e-6)
    assert smoothed(image.astype(np.complex64), sigma_px).dtype == np.complex64


@pytest.mark.parametrize("share", [0.0, 0.1, 0.4, 0.6, 1.0])
def test_patches_are_the_pixels_that_hang_together(share):
    """Of 60 x 80 pixels, up to where they begin to join all over the view; a winding line beside them."""
    found = np.random.default_rng(7).random((60, 80)) < share
    found = np.pad(found, ((0, 12), (0, 0)))
    found[62::2, 1:79] = True
    found[63::4, 78] = found[65::4, 1] = True
    wanted, number = ndimage.label(found, np.ones((3, 3)))
    got = patches(found)
    assert got.max() == number and np.array_equal(got > 0, found)
    assert len(np.unique(np.stack([got[found], wanted[found]]), axis=1).T) == number
