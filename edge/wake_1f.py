"""Contact of the crack's faces stands in the first harmonic, too, as 1f of the same clipped sine whose 2f is seen. Where a
short crack leaves no room for a wake as wide as contact is seen, the tip's ring has some of it: it is taken out, as far as
the second harmonic tells, and the tip fitted again."""

import numpy as np

from edge import region, tip
from edge.closure import Closure, Shapes
from edge.conduction import Flow
from edge.handbook import clipped_harmonics
from edge.rig import Rig
from edge.zones import bell, taper

# of the load range below which faces touch, where it is not measured (half of it: Elber, ASTM STP 486 (1971) 230; 0.2 to 0.5:
# Newman, Int. J. Fract. 24 (1984) R131; both from memory), with a margin of our own choice
SHARES = np.linspace(0.1, 0.6, 26)
WIDTHS_PX = np.geomspace(0.8, 6.0, 55)  # across the crack, deviations; steps of 4 %: the ring sees a flank that steeply goes with them
REACH = 3.0  # of them: as far as pixels are looked at
LEAST = 0.1  # deviations of a pixel: less of it in the ring is not worth a fit


def ratio(seen: Closure) -> tuple[float, float]:
    """First over second harmonic of the contact's pressure, and its deviation: by the opening load where it is known, else by
    all that are usual (`edge.handbook.clipped_harmonics`)."""
    harmonics = np.array([clipped_harmonics(u, 2) for u in SHARES])
    of_share = harmonics[:, 1] / harmonics[:, 2]
    if seen.opening_fraction is None or seen.opening_sd is None:
        return float(of_share.mean()), float(of_share.std())
    value, steep = (float(np.interp(seen.opening_fraction, SHARES, y)) for y in (of_share, np.gradient(of_share, SHARES)))
    return value, steep * seen.opening_sd


def contact_2f(
    h2: np.ndarray, sd_K: float, usable: np.ndarray, z_px: np.ndarray, shapes: Shapes, ring: np.ndarray
) -> tuple[np.ndarray, float]:
    """Amplitude of the contact at 2f, K (rows, columns), and the relative deviation of all that `ring` (rows, columns) bool
    has of it: far out on its flank, where a little more width is much more contact. h2 (rows, columns) complex K, with
    deviation sd_K of each component; z_px: places in pixels from the tip. Both zones are Gaussian across the crack, each of a width of
    its own that is averaged over as the map weighs it."""
    x, y = z_px.real, z_px.imag
    ends = shapes.start_px - shapes.length_px, shapes.place_px + 2 * shapes.size_px
    near = usable & (x > ends[0]) & (x < ends[1]) & (np.abs(y) < REACH * WIDTHS_PX[-1])
    across = np.exp(-0.5 * (y[near] / WIDTHS_PX[:, None]) ** 2)
    a = taper(x[near], shapes.start_px, shapes.length_px) * across
    b = bell(x[near], shapes.place_px, shapes.size_px) * across
    aa, bb, ab = np.sum(a * a, 1)[:, None], np.sum(b * b, 1), a @ b.T
    ay, by = (a @ h2[near])[:, None], b @ h2[near]
    det = np.maximum(aa * bb - ab**2, 1e-6 * aa * bb)
    c = (bb * ay - ab * by) / det
    explained = (bb * np.abs(ay) ** 2 + aa * np.abs(by) ** 2 - 2 * ab * (ay * np.conj(by)).real) / det / sd_K**2
    weight = np.exp((explained - explained.max()) / 2)
    weight /= weight.sum()
    flank = taper(x[ring], shapes.start_px, shapes.length_px) * np.exp(-0.5 * (y[ring] / WIDTHS_PX[:, None]) ** 2)
    held = flank.sum(1)[:, None]
    amount = np.abs(c) * held
    mean = float(np.sum(weight * amount))
    variance = np.sum(weight * ((amount - mean) ** 2 + bb / det * (sd_K * held) ** 2))
    at_2f = taper(x, shapes.start_px, shapes.length_px) * (np.abs(y) < REACH * WIDTHS_PX[-1])
    wake = at_2f > 0
    at_2f[wake] *= np.sum(weight * np.abs(c), 1) @ np.exp(-0.5 * (y[wake] / WIDTHS_PX[:, None]) ** 2)
    return at_2f, float(np.sqrt(variance)) / max(mean, 1e-12)


def without_contact(
    rig: Rig,
    maps: np.ndarray,
    sd_K: np.ndarray,
    stress_per_K: float,
    usable: np.ndarray,
    found: tip.TipFit,
    frequency_hz: float,
    flow: Flow | None,
    seen: Closure,
) -> tip.TipFit:
    """The tip as it is without the 1f part of the contact, its deviations with what is not known of that; `found` where its
    ring has none of it. maps: h1, h2 (2, rows, columns) complex K, with deviations sd_K of a component."""
    if seen.shapes is None or not 0 < found.region.wake_mm < region.WAKE_MM:
        return found
    mm = rig.view.mm_per_px
    z = found.places(usable.shape, mm)
    times, times_sd = ratio(seen)
    ring = usable & found.region.holds(z)
    at_2f, relative_sd = contact_2f(maps[1], float(sd_K[1]), usable, z / mm, seen.shapes, ring)
    more_K = times * at_2f
    if (more_K * ring).max() < LEAST * sd_K[0]:
        return found
    stress, sd = -2 * stress_per_K * (maps[0].real + more_K), 2 * stress_per_K * float(sd_K[0])  # faces press as the load falls
    again = tip.once_more(rig, stress, sd, usable, found, frequency_hz, flow)
    return found if again is None else found.again(again, mm, float(np.hypot(times_sd / times, relative_sd)))
