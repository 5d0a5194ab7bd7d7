"""Where the harmonics of the load are seen at a camera's frame rate, and which of them fold onto each other.

The lock-in knows the load phase, so a harmonic above half the frame rate is measured as well as one below it, unless
two components come to lie on the same folded frequency within the resolution 1/memory: then no least squares can tell
them apart. A harmonic on half the frame rate meets its own mirror image, and one half of it is not seen at all.

Folding is the sampling theorem (Shannon 1949). That the lock-in of a modulated signal has forbidden and colliding
frequencies: Krapez, on sampling in lock-in thermography. The tests check the rule against the regression matrix itself.
"""

from collections.abc import Iterator
from dataclasses import dataclass

ESTIMATED = (1, 2)  # what the records are made of; the third harmonic only disturbs
FLICKERS = 2  # times the mains frequency: lamps and heaters follow the square of the current (common practice, no source)
MAINS_WANDER_HZ = 0.05  # normal band of the European grid's frequency, from memory


@dataclass(frozen=True)
class Pair:
    """Two components and how far apart they are seen. `spoils`: the harmonics (1, 2, ...) lost if that is too near."""

    text: str  # with the frequencies, for a reader
    separation_hz: float
    spoils: frozenset[int]
    mains_multiple: int = 0  # 1 or 2 where one of them is hum of the mains or flicker at its double


@dataclass(frozen=True)
class Collisions:
    """What folds together. `pairs` spoil harmonics; `warnings` are near misses and what disturbs nothing recorded."""

    pairs: tuple[Pair, ...]
    warnings: tuple[str, ...]

    @property
    def spoiled(self) -> frozenset[int]:
        """Harmonics (1, 2, 3) whose maps must be withheld."""
        return frozenset().union(*(p.spoils for p in self.pairs))

    @property
    def reasons(self) -> tuple[str, ...]:
        return tuple(p.text for p in self.pairs)

    @property
    def flags(self) -> tuple[str, ...]:
        """Words for the records' `flags` column."""
        return tuple(f"collision_{k}f" for k in sorted(self.spoiled))


def folded_hz(frequency_hz: float, frame_rate_hz: float) -> float:
    """Where `frequency_hz` is seen at `frame_rate_hz` frames/s: between 0 and half the frame rate."""
    return abs(frequency_hz - frame_rate_hz * round(frequency_hz / frame_rate_hz))


def pairs(frequency_hz: float, frame_rate_hz: float, mains_hz: float = 0.0, harmonics: int = 3) -> Iterator[Pair]:
    """Every two of: the mean, the harmonics 1..`harmonics`, their mirror images, mains flicker, and how far apart.

    Flicker is looked for at the double of `mains_hz` (0: none). What hums at `mains_hz` itself is rare, and only told of.
    Flicker on the mean is drift, and no pair.
    """
    names = {k: f"{k if k > 1 else ''}f = {k * frequency_hz:.4g} Hz" for k in range(1, harmonics + 1)}
    at = {k: folded_hz(k * frequency_hz, frame_rate_hz) for k in names}
    for k, name in names.items():
        yield Pair(f"{name} is seen at {at[k]:.3g} Hz, as the mean and its drift are", at[k], frozenset({k}))
        half = frame_rate_hz / 2
        text = f"{name} is seen at {at[k]:.4g} Hz, half the frame rate, where it meets its own mirror image"
        yield Pair(text, 2 * (half - at[k]), frozenset({k}))
        for j in range(k + 1, harmonics + 1):
            text = f"{name} and {names[j]} are seen at the same {at[k]:.4g} Hz"
            yield Pair(text, abs(at[k] - at[j]), frozenset({k, j}))
        for m in (1, 2) if mains_hz > 0 else ():
            what = f"{'flicker' if m == FLICKERS else 'hum'} of {m * mains_hz:g} Hz"
            text = f"{name} is seen at {at[k]:.4g} Hz, where mains {what} is seen too"
            apart = abs(at[k] - folded_hz(m * mains_hz, frame_rate_hz))
            yield Pair(text, apart, frozenset({k} & set(ESTIMATED) if m == FLICKERS else ()), m)


def collisions(
    frequency_hz: float, frame_rate_hz: float, memory_s: float, mains_hz: float = 0.0, harmonics: int = 3
) -> Collisions:
    """Which harmonics of a load of `frequency_hz` fold onto something else within 1/`memory_s`.

    At a separation of 1/memory two components of the fading memory are correlated by 1/sqrt(1 + pi^2) = 0.30, which
    costs nothing in noise; below it, soon everything. Mains flicker that meets only the third harmonic is a warning, as
    is hum on any of them and flicker that the wander of the mains may bring onto one.
    """
    found, warnings = [], []
    for pair in pairs(frequency_hz, frame_rate_hz, mains_hz, harmonics):
        if pair.separation_hz < 1 / memory_s:
            if pair.spoils:
                found.append(pair)
            else:
                warnings.append(pair.text)
        elif pair.spoils and pair.separation_hz < 1 / memory_s + pair.mains_multiple * MAINS_WANDER_HZ:
            warnings.append(f"{pair.text} when the mains frequency wanders")
    return Collisions(tuple(found), tuple(warnings))


def margin_hz(frequency_hz: float, frame_rate_hz: float, mains_hz: float = 0.0, tolerance: float = 0.0) -> float:
    """How far first and second harmonic stay clear of everything if frequency/frame rate is off by `tolerance`.

    Two waves exp(+-i k w t) and exp(+-i j w t) are seen at the same place where the difference of their true
    frequencies is a whole number of frame rates; that difference is a multiple of f, and it is what the tolerance
    stretches: up to 5 f, as the second harmonic (k = 2) may meet the third's mirror image (j = -3). Negative: a
    collision lies within the tolerance.
    """
    beats = [(d * frequency_hz, 0.0) for d in range(1, 6)]
    if mains_hz > 0:
        beats += [
            (abs(m * mains_hz + sign * k * frequency_hz), m * MAINS_WANDER_HZ)
            for m in (1, 2) for k in ESTIMATED for sign in (-1, 1)
        ]
    return min(folded_hz(beat, frame_rate_hz) - tolerance * beat - wander for beat, wander in beats)
