"""Smoothing of maps, against scipy.ndimage."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from edge.smooth import smoothed


@pytest.mark.parametrize("sigma_px", [0.5, 0.7, 1.2, 1.5])
@pytest.mark.parametrize("shape", [(24, 31), (5, 40), (4, 3)])
def test_maps_are_smoothed_as_scipy_does(shape, sigma_px):
    rng = np.random.default_rng(3)
    image = rng.normal(size=shape) + 1j * rng.normal(size=shape)
    want = gaussian_filter(image.real, sigma_px) + 1j * gaussian_filter(image.imag, sigma_px)
    assert smoothed(image, sigma_px) == pytest.approx(want, abs=1e-12)
    real = smoothed(image.real.astype(np.float32), sigma_px)
    assert real.dtype == np.float32 and real == pytest.approx(want.real, abs=1e-6)
    assert smoothed(image.astype(np.complex64), sigma_px).dtype == np.complex64
