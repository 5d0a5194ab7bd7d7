"""`bolotip calibrate`: runs the lock-in on recordings, hands arrays to calibration/, writes the camera profile."""

import argparse
import dataclasses
from collections.abc import Callable

import numpy as np

from calibration import pictures, pixels, scale, step, sweep
from calibration.door import InputError, counted
from calibration.noise_parts import copies
from calibration.step_model import still_parts, switch_edges
from edge.calibrate_gain import run_gain
from edge.calibrate_shared import ASSUMED, existing, finish, first_harmonic, measured, usable_pixels
from edge.rig import LEAST_WIDTH_PX
from edge.sources.recording import RecordedLoad
from edge.whole_recording import Recorded, open_recording, refuse_processed

APART_S = 3e-3  # of the times of frames and load over a recording: a tau of 10 ms then comes out 0.4 % too large
MOST_VALUES = 40_000_000  # counts held in memory by step and pixels


def main(args: argparse.Namespace) -> int:
    """`bolotip calibrate KIND`."""
    if not args.profile.parent.is_dir():
        raise InputError(f"{args.profile}: there is no folder {args.profile.parent}; make it first")
    if args.picture is not None and (args.picture.suffix.lower() != ".png" or not args.picture.parent.is_dir()):
        raise InputError(f"--picture: is {args.picture}, may be a name that ends in .png, in a folder that exists")
    if args.kind == "gain" and args.temperatures is None and len(args.recordings) > 1:
        raise InputError(f"gain: {len(args.recordings)} recordings, may be one of a bar; plates come with --temperatures")
    for number, path in enumerate(args.recordings):
        if path.resolve() in (other.resolve() for other in args.recordings[:number]):
            raise InputError(f"{path}: is named twice, and would count as two measurements; name each recording once")
    KINDS[args.kind](args, [open_recording(path) for path in args.recordings])
    return 0


def run_sweep(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    profile = existing(args.profile, recordings)
    usable = usable_pixels(recordings[0], profile, args.region)
    runs, apart = [], []
    for rec in recordings:
        m = measured(rec)
        drift_s, sd_s = m.drift_s
        if abs(drift_s) > max(APART_S, 5 * sd_s):
            apart.append(f"{rec.name}: frames and load run apart by {1e3 * abs(drift_s):.1f} ms from begin to end, which reads as lag, "
                         "tau too large: give both times of one clock")
        usable = usable & (m.harmonics.noise > 0) & (m.harmonics.noise < 4 * np.median(m.harmonics.noise))
        runs.append(first_harmonic(rec, m))
    try:
        found = sweep.fit(runs, usable)
    except InputError as e:
        raise InputError("; ".join([str(e), *apart[:1]])) from None
    finish(args, recordings, [*found.text(), *apart], found.into(profile or ASSUMED), lambda path: pictures.sweep(path, found))


def run_step(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    rec = recordings[0]
    profile = existing(args.profile, recordings)
    refuse_processed(rec, changing=True)
    frames = rec.frames(MOST_VALUES // (rec.rig.camera.rows * rec.rig.camera.columns))
    cut = looked_at(rec, len(frames), "move the cover earlier, or cut the image")
    copy = copies(frames)  # one would show the step at a moment that is not its own
    frames, frame_s = frames[~copy], rec.time_s[: len(frames)][~copy]
    for still in still_parts(frames):
        pixels.refuse_wandering_gain(still, rec.name)
    edges, edge_sd_s = np.empty(0), 0.0
    load = rec.rig.load
    if load.source == "recording" and load.path is not None and load.path.is_file():
        time_s, value = RecordedLoad(load.path, 1.0, 0.0).read(np.inf)
        edges = switch_edges(time_s, value)
        edge_sd_s = float(np.median(np.diff(time_s)) / np.sqrt(12)) if edges.size else 0.0
    usable = usable_pixels(rec, profile, args.region) & (np.ptp(frames, axis=0) > 0)
    try:
        found = step.fit(frames, frame_s, usable, edges, edge_sd_s, rec.timing_sd_s)
    except InputError as e:
        raise InputError("; ".join([str(e), *cut])) from None
    text = found.text() + cut
    if copy.any():
        text.append(f"{counted(int(copy.sum()), 'copy', 'copies')} of the frame before among {copy.size} frames: left out")
    if profile is not None and profile.response:
        text.append("the profile's table [[response]] of a sweep gives way to this first-order lag; the profile before has it still")
    finish(args, recordings, text, found.into(profile or ASSUMED), lambda path: pictures.step(path, found))


def looked_at(rec: Recorded, count: int, remedy: str) -> list[str]:
    """A sentence where only `count` frames of a recording were."""
    if count == rec.number.size:
        return []
    seconds = rec.time_s[count - 1] - rec.time_s[0]
    return [
        f"only the first {count} of {rec.number.size} frames ({seconds:.1f} s) were looked at, as many as memory allows: {remedy} with "
        f"[camera] crop_px"
    ]


def run_pixels(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    import cv2

    rec = recordings[0]
    profile = existing(args.profile, recordings) or ASSUMED
    refuse_processed(rec)
    frames = rec.frames(max(200, MOST_VALUES // (rec.rig.camera.rows * rec.rig.camera.columns)))
    rate = 1 / ((rec.time_s[-1] - rec.time_s[0]) / (rec.number[-1] - rec.number[0]))
    found = pixels.find(frames, rec.number[: len(frames)], rate)
    counts_per_K = profile.counts_per_K or rec.rig.camera.counts_per_K
    png = args.profile.with_name(f"{args.profile.stem}-bad-pixels.png")
    n = 1
    while png.exists():  # an earlier profile goes on naming its own
        n += 1
        png = args.profile.with_name(f"{args.profile.stem}-bad-pixels-{n}.png")
    try:
        png.write_bytes(cv2.imencode(".png", np.where(found.bad > 0, 255, 0).astype(np.uint8))[1].tobytes())
    except OSError as e:
        raise InputError(f"{png}: cannot be written ({e.strerror}); check folder, room and rights") from None
    new = dataclasses.replace(profile, bad_pixels=png)
    if counts_per_K:
        new = dataclasses.replace(new, netd_K=found.netd_counts / counts_per_K)
    text = found.text(counts_per_K, rec.rig.load.frequency_hz)
    text += looked_at(rec, len(frames), "where drift or a slow blink matters, cut the image")
    finish(args, recordings, text, new, lambda path: pictures.pixels(path, found))


def run_scale(args: argparse.Namespace, recordings: list[Recorded]) -> None:
    rec, rig = recordings[0], recordings[0].rig
    profile = existing(args.profile, recordings)
    image = rec.some(50).mean(axis=0)
    near, (low, high) = pixels.neighbours(image), np.percentile(image, [1, 99])
    image = np.where(usable_pixels(rec, profile, None) & (np.abs(image - near) < high - low), image, near)
    if args.mark:
        marks = np.array(args.mark)
        for row, column in marks[:, :2]:
            if not (-0.5 <= row <= image.shape[0] - 0.5 and -0.5 <= column <= image.shape[1] - 0.5):
                raise InputError(
                    f"scale: mark at row {row:g}, column {column:g} is not in the picture of {image.shape[0]} rows and "
                    f"{image.shape[1]} columns; look for exchanged numbers"
                )
        found = scale.from_marks(marks[:, :2], marks[:, 2:])
        if rig.specimen.width_mm / found.mm_per_px < LEAST_WIDTH_PX:  # False without a width
            raise InputError(
                f"scale: the marks make {found.mm_per_px:.3g} mm per pixel, so that width_mm = {rig.specimen.width_mm:g} spans "
                f"{rig.specimen.width_mm / found.mm_per_px:.1f} px, may be {LEAST_WIDTH_PX} px or more; look for exchanged "
                f"numbers: --mark ROW COL X_MM Y_MM"
            )
    else:
        width = rig.specimen.width_mm
        if not np.isfinite(width):
            raise InputError(f"{rig.path} [specimen] width_mm: is missing, needed to go by the edges; or give --mark")
        found = scale.from_edges(image, width, rig.specimen.notch_mm, rig.view.growth_angle_deg)
    finish(args, recordings, found.text(), None, lambda path: pictures.scale(path, found, image))


KINDS: dict[str, Callable[[argparse.Namespace, list[Recorded]], None]] = {
    "sweep": run_sweep,
    "step": run_step,
    "pixels": run_pixels,
    "gain": run_gain,
    "scale": run_scale,
}
