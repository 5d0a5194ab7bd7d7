"""Pixels of a camera that looks at a still, even scene: bad ones, noise, fixed pattern, drift, filters in the camera.

Also the tests of raw counts that every calibration makes: clipped counts and an automatic gain.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.door import InputError
from calibration.noise_parts import APART_PX, changes_together, copies, lines_noise, residuals
from calibration.robust import robust_sd

FEWEST_FRAMES = 100
FAR = 6.0  # robust deviations beyond which a pixel is no member of the others
NOISY = 1.5  # and times the typical noise: a slightly noisier pixel is no bad one
RARE = 8.0  # deviations of a single value that noise does not reach
LAGS = 12
LEAST_WEIGHT = 0.05  # of a recursive filter: detected well below the 0.1 that matters
MOVES = 0.05  # correlation of pixels that are APART_PX apart from which on a scene is not still
MOST_CLIPPED = 0.01  # share of pixels
GAIN_WANDER = 0.02  # relative, of the picture's contrast from frame to frame
LINE = 8.0  # times the median of the spectrum: a line of its own
WHY = ("constant", "far off", "noisy", "jumping")


@dataclass(frozen=True)
class Pixels:
    """Counts throughout; deviations beside the values. `bad` (rows, columns) holds 0 or 1 + the index in WHY."""

    bad: np.ndarray
    noise: np.ndarray  # (rows, columns), of one frame
    netd_counts: float  # of a pixel in one frame, with its share of the rows' and columns' noise, as the loop sees it
    netd_sd_counts: float
    fixed_counts: float
    drift_counts_per_s: float
    drift_sd_counts_per_s: float
    shared_counts: float  # noise common to all pixels of a frame,
    row_counts: float  # to those of a row,
    column_counts: float  # of a column
    repeated: float  # share of frames that are copies of the one before
    copies: int  # each image comes so often; 1 without copies
    correlation: np.ndarray  # (LAGS + 1,) of one pixel's noise, slow drift taken out
    correlation_sd: float
    filter_kind: str  # "none", "recursive", "moving mean"
    filter_weight: float  # of the last image in a recursive filter
    filter_sd: float
    filter_frames: int  # of a moving mean
    frequency_hz: np.ndarray
    spectrum: np.ndarray  # counts per square root of Hz, one pixel, mean of many
    shared_spectrum: np.ndarray  # of the image mean
    frame_rate_hz: float

    @property
    def bad_share(self) -> float:
        return float(np.mean(self.bad > 0))

    @property
    def lines_hz(self) -> np.ndarray:
        """Frequencies of lines in the spectrum of the image mean (flicker, seen as an alias)."""
        s = self.shared_spectrum
        if s.size < 8:
            return np.empty(0)
        inside = np.zeros(s.size, bool)
        inside[2:-1] = (s[2:-1] > s[1:-2]) & (s[2:-1] >= s[3:]) & (s[2:-1] > LINE * np.median(s))
        return self.frequency_hz[inside]

    def response(self, frequency_hz: float) -> complex:
        """What the filter found makes of a signal: 1 without one. Frames are one period apart, exp(+i w t)."""
        w = 2 * np.pi * frequency_hz / self.frame_rate_hz
        if self.filter_kind == "recursive":
            return complex((1 - self.filter_weight) / (1 - self.filter_weight * np.exp(-1j * w)))
        if self.filter_kind == "moving mean":
            return complex(np.mean(np.exp(-1j * w * np.arange(self.filter_frames))))
        return 1 + 0j

    def text(self, counts_per_K: float | None, frequency_hz: float) -> list[str]:
        """What was found, one line each; in kelvin where counts_per_K is known."""
        scale, unit = (1e3 / counts_per_K, "mK") if counts_per_K else (1.0, "counts")
        kinds = ", ".join(f"{np.count_nonzero(self.bad == i + 1)} {why}" for i, why in enumerate(WHY))
        out = [
            f"bad pixels    {np.count_nonzero(self.bad)} ({100 * self.bad_share:.3f} %): {kinds}",
            f"noise (NETD)  {scale * self.netd_counts:.2f} +- {scale * self.netd_sd_counts:.2f} {unit} a pixel and frame, in it "
            f"{scale * self.row_counts:.2f} {unit} common to those of a row and {scale * self.column_counts:.2f} of a column; "
            f"beside it {scale * self.shared_counts:.2f} common to all pixels of a frame",
            f"fixed pattern {scale * self.fixed_counts:.1f} {unit}",
            f"drift         {3600 * scale * self.drift_counts_per_s:.0f} +- "
            f"{3600 * scale * self.drift_sd_counts_per_s:.0f} {unit} an hour",
        ]
        if self.copies > 1:
            out.append(
                f"repetition    each image comes {self.copies} times: the true rate is {self.frame_rate_hz / self.copies:.3g} "
                f"frames/s; copies are left out, so nothing is falsified, but only new images count"
            )
        elif self.repeated:
            out.append(
                f"repetition    {100 * self.repeated:.2f} % of the frames are copies of the one before; left out"
            )
        lines = ", ".join(f"{f:.2f}" for f in self.lines_hz[:6])
        if lines:
            out.append(
                f"flicker       lines of the whole image at {lines} Hz: keep the load frequency and its double off them"
            )
        return out + self._filter_text(frequency_hz)

    def _filter_text(self, frequency_hz: float) -> list[str]:
        first = f"lag-one correlation {self.correlation[1]:.4f} +- {self.correlation_sd:.4f}"
        if self.filter_kind == "none":
            return [f"filter        none found: {first}"]
        what = (
            f"recursive, weight of the last image {self.filter_weight:.3f} +- {self.filter_sd:.3f}"
            if self.filter_kind == "recursive"
            else f"mean of {self.filter_frames} images"
        )
        out = [f"filter        the camera averages over time ({what}; {first})"]
        for k in (1, 2):
            r = self.response(k * frequency_hz)
            out.append(
                f"              at {k * frequency_hz:.3g} Hz it leaves {100 * abs(r):.1f} % and turns by "
                f"{np.degrees(np.angle(r)):.1f} deg"
            )
        return [
            *out,
            "              switch it off in the camera, or calibrate with a sweep, which measures it with the rest",
        ]


def find(frames: Sequence[np.ndarray] | np.ndarray, number: np.ndarray, frame_rate_hz: float) -> Pixels:
    """Everything above from frames (n, rows, columns) uint16; number (n,): place of each on the frame clock's grid.

    InputError: too few frames, a scene that moves, noise below one count.
    """
    stack = np.asarray(frames)
    copy = copies(stack)
    new, numbers = stack[~copy], np.asarray(number)[~copy]
    if len(new) < FEWEST_FRAMES:
        raise InputError(
            f"pixels: {len(new)} different frames, may be {FEWEST_FRAMES} or more; record 20 s of a still, even scene"
        )
    stretch = np.cumsum(_after_shutter(copy)[~copy])
    # the image mean and its drift come from pixels that are not obviously dead
    half = np.median(new[:: max(1, len(new) // 31)], axis=0)
    decent = np.abs(half - np.median(half)) < FAR * robust_sd(half) + 1
    shared = new[:, decent].mean(axis=1)
    residual, mean, drift, drift_sd = residuals(new, shared, stretch, numbers / frame_rate_hz)
    lost = 1 + np.unique(stretch).size  # degrees of freedom: a drift, and a mean a stretch
    noise = residual.std(axis=0, dtype=np.float64, ddof=lost)
    # the median of a chi distribution of nu degrees lies 1/(3 nu) below its root mean square (Wilson & Hilferty)
    typical = float(np.median(noise[decent])) * (1 + 1 / (3 * (len(new) - lost)))
    if typical < 0.4:
        raise InputError(
            f"pixels: the noise is {typical:.2f} counts, may be 0.4 or more; record raw counts (16 bit), not a picture"
        )
    _still(residual, decent)
    bad = bad_pixels(mean, noise, residual)
    bad[(new == new[0]).all(axis=0)] = 1
    good = bad == 0
    row_sd, column_sd = (lines_noise(residual, good, typical, axis) for axis in (2, 1))
    own = typical**2 / np.count_nonzero(decent) + row_sd**2 / good.shape[0] + column_sd**2 / good.shape[1]
    shared_sd = float(np.sqrt(max(0.0, _restless(shared, numbers, stretch) - own)))
    correlation, correlation_sd = autocorrelation(residual[:, good], numbers)
    kind, weight, weight_sd, length = judge_filter(correlation, correlation_sd, typical, len(new))
    hz, spectrum, shared_spectrum = _spectra(residual[:, good], shared, numbers, frame_rate_hz)
    gap = np.diff(numbers)
    return Pixels(
        bad=bad,
        noise=noise,
        netd_counts=typical,
        netd_sd_counts=1.25 * float(noise[good].std()) / np.sqrt(np.count_nonzero(good)),  # of a median
        fixed_counts=float(robust_sd(mean - _smooth(mean, good))),
        drift_counts_per_s=drift,
        drift_sd_counts_per_s=drift_sd,
        shared_counts=shared_sd,
        row_counts=row_sd,
        column_counts=column_sd,
        repeated=float(copy.mean()),
        copies=int(np.median(gap)) if copy.mean() > 0.3 and len(gap) else 1,
        correlation=correlation,
        correlation_sd=correlation_sd,
        filter_kind=kind,
        filter_weight=weight,
        filter_sd=weight_sd,
        filter_frames=length,
        frequency_hz=hz,
        spectrum=spectrum,
        shared_spectrum=shared_spectrum,
        frame_rate_hz=frame_rate_hz,
    )


def _still(residual: np.ndarray, decent: np.ndarray) -> None:
    """InputError where the scene moves."""
    together = changes_together(residual, decent)
    if together > MOVES:
        raise InputError(
            f"pixels: {100 * together:.0f} % of the changes are shared by pixels {APART_PX} px apart, may be up to "
            f"{100 * MOVES:.0f} %; record a still, even scene, with the machine stopped"
        )


def _restless(level: np.ndarray, number: np.ndarray, stretch: np.ndarray) -> float:
    """Variance of the frames' level (n,) beside a drift and a mean a stretch."""
    slow = np.column_stack([number, stretch[:, None] == np.unique(stretch)])
    return float((level - slow @ np.linalg.lstsq(slow, level, rcond=None)[0]).var())


def _after_shutter(copy: np.ndarray) -> np.ndarray:
    """True on the first new frame after two copies or more of a frozen image (not of a regular repetition)."""
    out = np.zeros(copy.size, bool)
    if copy.mean() < 0.3:
        out[3:] = ~copy[3:] & copy[2:-1] & copy[1:-2]
    return out


def bad_pixels(mean: np.ndarray, noise: np.ndarray, residual: np.ndarray) -> np.ndarray:
    """(rows, columns) int: 0, or 1 + the index in WHY, from the mean image, the noise of each pixel (rows, columns) and
    the residuals (n, rows, columns)."""
    bad = np.zeros(mean.shape, np.uint8)
    near = neighbours(mean)
    log_noise = np.log(np.maximum(noise, 1e-3))
    own_spread = max(robust_sd(log_noise), 1 / np.sqrt(2 * len(residual)))
    typical = np.median(log_noise)
    peak = np.maximum(residual.max(axis=0), -residual.min(axis=0))
    noisy = (log_noise - typical > FAR * own_spread) & (noise > NOISY * np.exp(typical))
    bad[(peak > RARE * np.exp(typical)) & (peak > RARE * np.maximum(noise, 1e-3) / NOISY)] = 4
    bad[noisy] = np.where(peak[noisy] > 4.5 * noise[noisy], 4, 3)
    bad[np.abs(mean - near) > FAR * robust_sd(mean - near)] = 2
    bad[noise < 0.2 * np.exp(typical)] = 1
    return bad


def neighbours(image: np.ndarray) -> np.ndarray:
    """Median of the 5 x 5 pixels around each pixel, so that slow shading is not taken for bad pixels."""
    big = np.pad(image, 2, mode="reflect")
    around = np.lib.stride_tricks.sliding_window_view(big, (5, 5)).reshape(*image.shape, 25)
    return np.median(around, axis=-1)


def _smooth(image: np.ndarray, good: np.ndarray) -> np.ndarray:
    """Plane and curvature of the image by least squares over the good pixels."""
    r, c = np.mgrid[: image.shape[0], : image.shape[1]] / max(image.shape) - 0.5
    design = np.stack([np.ones_like(r), r, c, r * r, r * c, c * c])
    x, *_ = np.linalg.lstsq(design[:, good].T, image[good], rcond=None)
    return np.tensordot(x, design, 1)


def autocorrelation(residual: np.ndarray, number: np.ndarray) -> tuple[np.ndarray, float]:
    """Correlation (LAGS + 1,) of the noise of single pixels over new frames so many places apart, and its deviation.
    residual (n, pixels). Slow wander, alike at all short lags, is taken off by the mean of the next LAGS lags."""
    step = max(1, int(np.median(np.diff(number))))
    power = float(np.mean(residual**2))
    out = np.zeros(2 * LAGS + 1)
    for lag in range(2 * LAGS + 1):
        ok = number[lag:] - number[: len(number) - lag] == lag * step
        if ok.any():
            of_pairs = np.einsum("np,np->n", residual[lag:], residual[: len(number) - lag])
            out[lag] = float(np.mean(of_pairs[ok])) / residual.shape[1] / power
    wander = float(out[LAGS + 1 :].mean())
    sd = float(out[LAGS + 1 :].std()) + 1 / np.sqrt(residual.size)
    return (out[: LAGS + 1] - wander) / (1 - wander), sd


def judge_filter(correlation: np.ndarray, sd: float, noise_counts: float, frames: int) -> tuple[str, float, float, int]:
    """Kind of filter, weight of the last image, its deviation, and length of a moving mean.

    y[n] = w y[n-1] + (1 - w) x[n] of white noise x has the correlation w^lag (autoregressive process of first order,
    any textbook of time series); the mean of m images has 1 - lag/m. Rounding to counts adds white noise of 1/12.
    """
    kept = 1 - 1 / 12 / noise_counts**2  # of the variance, that is not rounding
    c = correlation[1:] / kept
    w = float(c[0])
    if w < max(LEAST_WEIGHT, 5 * sd):
        return "none", 0.0, sd, 1
    lags = np.arange(1, c.size + 1)
    lengths = np.arange(2, LAGS)
    misfit = [float(np.sum((c - np.maximum(0, 1 - lags / m)) ** 2)) for m in lengths]
    for _ in range(5):  # least squares of w^lag
        slope = lags * w ** (lags - 1)
        w = float(np.clip(w + slope @ (c - w**lags) / (slope @ slope), 0, 0.99))
    if min(misfit) < float(np.sum((c - w**lags) ** 2)):
        return "moving mean", 0.0, sd, int(lengths[int(np.argmin(misfit))])
    # Bartlett (J. R. Stat. Soc. Suppl. 8 (1946) 27): far lags vary by (1 + w^2)/(1 - w^2), the weight by 1 - w^2
    # taking off each pixel's mean and drift makes it too small by (0.14 + w/2)/frames (simulated, 300 frames)
    own = sd * (1 - w * w) / np.sqrt(1 + w * w)
    return "recursive", w + (0.14 + 0.5 * w) / frames, float(np.hypot(own, 0.2 * w / frames)), 1


def _spectra(
    residual: np.ndarray, shared: np.ndarray, number: np.ndarray, frame_rate_hz: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One-sided amplitude densities of single pixels (mean of up to 400) and of the image mean; lost frames as zeros."""
    step = max(1, int(np.median(np.diff(number))))
    place = np.round((number - number[0]) / step).astype(int)
    some = residual[:, :: max(1, residual.shape[1] // 400)]
    even = np.zeros((place[-1] + 1, some.shape[1] + 1))
    even[place, :-1] = some
    even[place, -1] = shared - np.polyval(np.polyfit(place, shared, 1), place)
    rate = frame_rate_hz / step
    window = np.hanning(len(even))[:, None]
    density = np.abs(np.fft.rfft(even * window, axis=0)) ** 2 * 2 / (rate * np.sum(window**2))
    return np.fft.rfftfreq(len(even), 1 / rate), np.sqrt(density[:, :-1].mean(axis=1)), np.sqrt(density[:, -1])


def refuse_processed(frames: Sequence[np.ndarray] | np.ndarray, name: str, changing: bool = False) -> None:
    """InputError where counts (some frames, in order) are clipped, of 8 bits, or under an automatic gain; that is not looked
    for in a `changing` scene (`refuse_wandering_gain` does it for the parts of it that stand still)."""
    stack = np.asarray(frames)
    if stack.max() < 256:
        raise InputError(
            f"{name}: counts go to {stack.max()}, may be raw counts of 16 bits; switch the camera from picture to raw output"
        )
    if stack.max() == stack.min():
        raise InputError(
            f"{name}: all counts are {stack.max()}, clipped at an end of the camera's range or no image at all, may be noisy raw counts; "
            f"change the range or the temperature of the scene"
        )
    for limit, side in ((stack.max(), "upper"), (stack.min(), "lower")):
        share = float(np.mean(stack == limit))
        inside = float(np.mean(np.abs(stack - float(limit)) == 1))  # a pile at the end, not just few different counts
        if share > max(MOST_CLIPPED, 3 * inside) and stack.max() > stack.min():
            raise InputError(
                f"{name}: {100 * share:.1f} % of the counts are clipped at the {side} end ({limit}), may be up to "
                f"{100 * MOST_CLIPPED:.0f} %; change the camera's range or the temperature of the scene"
            )
    if not changing:
        refuse_wandering_gain(stack, name)


def refuse_wandering_gain(stack: np.ndarray, name: str) -> None:
    """InputError where the contrast of a still scene, frames (n, rows, columns), wanders."""
    wander, sd = contrast_wander(stack)
    if wander > max(GAIN_WANDER, 6 * sd):
        raise InputError(
            f"{name}: the contrast changes by {100 * wander:.1f} % from frame to frame, may be up to {100 * GAIN_WANDER:.0f} %: "
            f"automatic gain is on; switch it off (fixed range, raw counts)"
        )


def contrast_wander(stack: np.ndarray) -> tuple[float, float]:
    """Standard deviation of the gain of frames (n, rows, columns) against their mean, and what noise alone would give.
    From differences of neighbouring pixels, where the specimen's own smooth field hardly shows; gross outliers left out."""
    fine = np.diff(stack.astype(np.float32), axis=2).reshape(len(stack), -1)
    mean = fine.mean(axis=0)
    use = np.abs(mean) < FAR * robust_sd(mean) + 1
    mean, fine = mean[use], fine[:, use]
    weight = float(mean @ mean)
    noise = float(np.median((fine - mean).std(axis=0)))
    signal = weight - mean.size * noise**2 / len(stack)
    if len(stack) < 3 or signal < 0.2 * weight:
        return 0.0, np.inf  # no pattern to see the gain by
    return float(np.std(fine @ mean / weight)), noise / np.sqrt(weight)
