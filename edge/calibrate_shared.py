"""What the calibrations share: the profile so far, usable pixels, a recording's lock-in, the profile written."""

import argparse
import dataclasses
import datetime
from collections.abc import Callable
from pathlib import Path

import numpy as np

from calibration.door import InputError
from calibration.far_field import Run
from calibration.profile import CameraProfile, bad_pixel_mask, load_profile, save_profile
from edge.terminal import Progress
from edge.whole_recording import Measured, Recorded, measure

ASSUMED = CameraProfile(tau_s=0.010, tau_sd_s=0.003, missing=("readout_s", "readout_sd_s"))
ASSUMED_NOTE = "tau_s assumed, not measured"  # 7 to 12 ms say makers' notes; 6 to 15 ms occur


def existing(path: Path, recordings: list[Recorded]) -> CameraProfile | None:
    """The profile so far, or None. InputError where cameras differ."""
    sizes = {(r.rig.camera.rows, r.rig.camera.columns) for r in recordings}
    profile = load_profile(path) if path.exists() else None
    if profile is not None and profile.rows and profile.columns:
        sizes.add((profile.rows, profile.columns))
    if len(sizes) > 1:
        listed = " and ".join(f"{r} x {c}" for r, c in sorted(sizes))
        raise InputError(
            f"{path}: rows x columns of profile and recordings are {listed}, may be one size; one profile a camera"
        )
    return profile


def usable_pixels(rec: Recorded, profile: CameraProfile | None, region: list[int] | None) -> np.ndarray:
    """(rows, columns) bool: within the region, and not bad."""
    shape = (rec.rig.camera.rows, rec.rig.camera.columns)
    usable = np.ones(shape, bool)
    if region is not None:
        row, column, rows, columns = region
        inside = 0 <= row < shape[0] and 0 <= column < shape[1] and rows > 0 and columns > 0
        if not inside or row + rows > shape[0] or column + columns > shape[1]:
            raise InputError(
                f"--region: is {' '.join(map(str, region))}, may be first row, first column, rows and columns within "
                f"{shape[0]} x {shape[1]}"
            )
        usable[:] = False
        usable[row : row + rows, column : column + columns] = True
    bad = bad_pixel_mask(profile) if profile is not None else None
    if profile is None or bad is None:
        return usable
    if bad.shape != shape:
        raise InputError(
            f"{profile.bad_pixels}: is of {bad.shape[0]} x {bad.shape[1]} pixels, may be of {shape[0]} x {shape[1]} as the recording; "
            f"calibrate pixels again"
        )
    if not (usable & ~bad).any():
        where = "--region" if region is not None else profile.bad_pixels
        raise InputError(f"{where}: leaves bad pixels only, may leave good ones; give a larger region, or calibrate pixels again")
    return usable & ~bad


def finish(
    args: argparse.Namespace,
    recordings: list[Recorded],
    text: list[str],
    new: CameraProfile | None,
    draw: Callable[[Path], None],
) -> None:
    """Write the profile where it changes (`new`), print, draw. Written first: the reader of what is printed may leave."""
    assumed = False
    if new is not None:
        new, assumed = _signed(args, recordings, new)
        save_profile(args.profile, new)
    print("\n".join(text))
    picture = args.picture or args.profile.with_name(f"{args.profile.stem}-{args.kind}.png")
    try:
        draw(picture)
        print(f"\npicture: {picture}")
    except ModuleNotFoundError:
        if args.picture is not None:
            raise
        print("\nno picture: matplotlib is not installed (pip install 'bolotip[report]')")
    except OSError as e:
        if isinstance(e, BrokenPipeError):
            raise
        raise InputError(f"{picture}: cannot be written ({e.strerror}); check folder, room and rights") from None
    if new is None:
        print("copy the lines above into the rig file; the camera profile stays as it is")
        return
    if assumed:
        print("the lag is not measured yet: tau 10 +- 3 ms is assumed (makers' notes); calibrate a sweep or a step")
    print(f"profile: {args.profile}")


def _signed(args: argparse.Namespace, recordings: list[Recorded], new: CameraProfile) -> tuple[CameraProfile, bool]:
    """With whose and what of it is; whether its lag is assumed. made_on dates the lag, not later small additions."""
    rig = recordings[0].rig
    lag = args.kind in ("sweep", "step")
    before = [m for m in new.made_from if not m.startswith(args.kind + " ") and not (lag and m == ASSUMED_NOTE)]
    assumed = not lag and not args.profile.exists()
    if assumed:
        before = [ASSUMED_NOTE]
    names = ("".join(c if c.isprintable() else "?" for c in rec.name) for rec in recordings)  # as the door lets it in again
    made = [f"{args.kind} {name}" for name in names]
    today = datetime.date.today()
    new = dataclasses.replace(
        new,
        rows=rig.camera.rows,
        columns=rig.camera.columns,
        lens=rig.camera.lens or new.lens,
        made_on=today if lag or new.made_on is None else new.made_on,
        made_from=(*before, *made),
    )
    return new, assumed


def measured(rec: Recorded) -> Measured:
    """The recording through the lock-in, with the time that is left."""
    progress = Progress(rec.name)
    try:
        return measure(rec, progress=progress)
    finally:
        progress.clear()


def first_harmonic(rec: Recorded, m: Measured) -> Run:
    """What `sweep` needs of a recording; counts, as the camera saw it."""
    unit = float(m.harmonics.amplitude_sd[0])
    return Run(
        name=rec.name,
        frequency_hz=m.frequency_hz,
        h1=m.harmonics.maps[0],
        sd=m.harmonics.noise * unit,
        range_kN=m.range_kN,
        range_sd=m.range_sd,
        timing_sd_s=rec.timing_sd_s,
        shared_sd=m.shared_counts * unit,
        inflation=max(float(m.harmonics.inflation[0]), unit**2 * m.harmonics.frames / 2),
    )
