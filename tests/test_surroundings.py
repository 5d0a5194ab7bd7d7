"""Masks that grow and open, and correlations, against OpenCV's own."""

import cv2
import numpy as np
import pytest

from edge.surroundings import correlations, grown, opened


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
