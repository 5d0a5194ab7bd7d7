"""The one pass over the pixels that each frame costs. Its plain twin stands in tests/plain.py."""

from numba import njit

BLOCK = 2048  # pixels whose deviations stay in the first-level cache while each plane goes by once


@njit(cache=True, fastmath={"contract", "nsz"}, nogil=True)
def accumulate(planes, energy, base, shift, counts, regressors, decay, scratch):
    """planes[j] = decay planes[j] + regressors[j] y and energy = decay energy + y^2, with y = counts - base - shift.

    planes (P, N) float32, energy (N,) float64, base (N,) float32, shift float32, counts (N,) uint16,
    regressors (P,) float32, decay float32,
    scratch (BLOCK,) float32. All are changed in place but counts, base and regressors.
    """
    n_planes, n_pixels = planes.shape
    for start in range(0, n_pixels, BLOCK):
        stop = min(start + BLOCK, n_pixels)
        for i in range(start, stop):
            y = counts[i] - base[i] - shift
            scratch[i - start] = y
            energy[i] = decay * energy[i] + y * y
        for j in range(n_planes):
            x = regressors[j]
            plane = planes[j]
            for i in range(start, stop):
                plane[i] = decay * plane[i] + x * scratch[i - start]
