"""The camera profile: how one camera damps, delays and scales the temperature it sees.

Conventions. Time dependence is exp(+i w t), so a lag is a negative angle. A pixel of row r (of `rows`) shows the scene
of `frame_delay_s + readout_s * r / rows` before the frame's time stamp. So `readout_s` is positive where lower rows lag
behind the upper ones (exposed earlier: read from the bottom upwards, or a picture turned upside down), negative where
they lead (exposed later: read from the top downwards), 0 for a global shutter; `direction` says it in words. Row readout
and frame delay are pure delays; `response` is the detector alone.
"""

import contextlib
import dataclasses
import datetime
import math
import os
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration import gray_png
from calibration.door import InputError, build, limited, read_toml
from calibration.files import sync_folder

if TYPE_CHECKING:
    from numpy.typing import NDArray

MARGIN = 0.10  # how far beyond a measured table, as a part of its end frequencies, the response may still be used
OLD_AFTER_DAYS = 365


@dataclass(frozen=True)
class ResponseRow:
    """One measured frequency of the detector's response, relative to a steady temperature."""

    frequency_hz: float = limited(above=0.0, high=1000.0, unit="Hz")
    gain: float = limited(above=0.0, high=1.5, remedy="1 is a detector that loses nothing")
    phase_deg: float = limited(low=-360.0, high=360.0, unit="deg", remedy="a lag is negative")
    gain_sd: float = limited(0.0, low=0.0, high=1.0)
    phase_sd_deg: float = limited(0.0, low=0.0, high=180.0, unit="deg")


@dataclass(frozen=True)
class CameraProfile:
    """One camera, its keys as in the file. `missing` names the keys that were absent and whose value is assumed."""

    tau_s: float = limited(low=0.0, high=1.0, unit="s", remedy="microbolometers have 0.006 to 0.015 s; 10 ms is 0.010")
    tau_sd_s: float = limited(0.0, low=0.0, high=1.0, unit="s")
    readout_s: float = limited(
        0.0, low=-1.0, high=1.0, unit="s", remedy="what the last row lags behind the first; negative where it leads"
    )
    readout_sd_s: float = limited(0.0, low=0.0, high=1.0, unit="s")
    frame_delay_s: float | None = limited(None, low=-1.0, high=10.0, unit="s", remedy="leave it out if not measured")
    frame_delay_sd_s: float = limited(0.0, low=0.0, high=10.0, unit="s")
    counts_per_K: float | None = limited(None, above=0.0, high=1e5, unit="counts per kelvin")
    netd_K: float | None = limited(None, above=0.0, high=10.0, unit="K", remedy="50 mK is 0.050")
    response: tuple[ResponseRow, ...] = ()
    bad_pixels: Path | None = None
    rows: int | None = limited(None, low=4, high=20000)
    columns: int | None = limited(None, low=4, high=20000)
    lens: str | None = None
    made_on: datetime.date | None = None
    made_from: tuple[str, ...] = ()
    missing: tuple[str, ...] = dataclasses.field(default=(), metadata={"derived": True})


def load_profile(path: Path | str) -> CameraProfile:
    """The profile in the file `path`. InputError: see `calibration.door`; also a table out of order, a missing PNG."""
    path = Path(path)
    document = read_toml(path)
    if "specimen" in document:
        raise InputError(f"{path}: is a rig file, may be a camera profile (tau_s = 0.010, ...); bolotip calibrate makes one")
    profile: CameraProfile = build(CameraProfile, document, str(path), path.parent)
    hz = [r.frequency_hz for r in profile.response]
    if any(b <= a for a, b in zip(hz, hz[1:])):
        raise InputError(f"{path} response: frequencies are {hz}, may be in rising order only; sort the rows")
    if len(hz) == 1:
        raise InputError(f"{path} response: is one row, may be at least two, or none; add a second frequency")
    if profile.bad_pixels is not None and not profile.bad_pixels.is_file():
        remedy = "put the PNG beside the profile, or leave the key out"
        raise InputError(f"{path} bad_pixels: no such file {profile.bad_pixels}; {remedy}")
    return dataclasses.replace(profile, missing=_missing(document))


def _missing(document: dict[str, Any]) -> tuple[str, ...]:
    """Keys that the file leaves out and that are thereby assumed: a readout, and deviations of what it does give."""
    wanted = ["readout_s", "readout_sd_s"]
    rows = document.get("response", [])
    if not rows:
        wanted.append("tau_sd_s")
    if "frame_delay_s" in document:
        wanted.append("frame_delay_sd_s")
    absent = [k for k in wanted if k not in document]
    return tuple(absent + [k for k in ("gain_sd", "phase_sd_deg") if any(k not in r for r in rows)])


def save_profile(path: Path | str, profile: CameraProfile) -> None:
    """Writes `profile` to the file `path` at once or not at all; an earlier file is kept beside it (`earlier_name`).

    Keys named in `profile.missing` are left out again. InputError: the folder cannot be written, or no command could read it.
    """
    path = Path(path)
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=".tmp", dir=path.parent)
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as f:
                f.write(_as_toml(profile, path.parent))
                f.flush()
                os.fsync(f.fileno())
            _must_be_readable(Path(temporary), path)
            os.chmod(temporary, 0o644)  # mkstemp makes it private
            if path.exists():
                shutil.copy2(path, earlier_name(path))
            os.replace(temporary, path)
        except BaseException:
            Path(temporary).unlink(missing_ok=True)
            raise
        sync_folder(path.parent)
    except UnicodeEncodeError:  # bytes of a file's name that are no text
        raise InputError(f"{path}: stays as it is, as a name in it is no text of UTF-8; give its file another name") from None
    except OSError as e:
        raise InputError(f"{path}: cannot be written ({e.strerror or e}); check folder, room and rights") from None


def _must_be_readable(written: Path, path: Path) -> None:
    """InputError where the door lets `written`, which is to become `path`, not in."""
    try:
        load_profile(written)
    except InputError as e:
        why = str(e).removeprefix(str(written)).strip(" :")
        raise InputError(f"{path}: stays as it is, as what was found may not stand in it: {why}") from None


def earlier_name(path: Path) -> Path:
    """The first free name beside `path` for the file it is about to replace: camera.toml -> camera.earlier-1.toml."""
    n = 1
    while (name := path.with_name(f"{path.stem}.earlier-{n}{path.suffix}")).exists():
        n += 1
    return name


def _as_toml(profile: CameraProfile, folder: Path) -> str:
    lines = ["# Camera profile. Times in seconds; phases in degrees, a lag is negative."]
    left_out = {"response", "missing", *profile.missing}
    if profile.frame_delay_s is None:
        left_out.add("frame_delay_sd_s")
    for field in dataclasses.fields(profile):
        value = getattr(profile, field.name)
        if field.name not in left_out and value not in (None, ()):
            lines.append(f"{field.name} = {_toml_value(value, folder)}")
    for row in profile.response:
        lines += ["", "[[response]]"]
        lines += [f"{k} = {_toml_value(v, folder)}" for k, v in vars(row).items() if v or k not in profile.missing]
    return "\n".join(lines) + "\n"


def _toml_value(value: object, folder: Path) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml_value(v, folder) for v in value) + "]"
    if isinstance(value, Path):
        value = os.path.relpath(value, folder)
    if isinstance(value, str):  # a TOML basic string; other control characters cannot come through the door
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, datetime.date):
        return value.isoformat()
    return repr(int(value) if isinstance(value, (int, np.integer)) else float(value))  # type: ignore[arg-type]


def direction(readout_s: float, sd_s: float) -> str:
    """What the sign of `readout_s` means, where it is beyond chance."""
    if abs(readout_s) <= 2 * sd_s:
        return "first to last row: alike within two deviations (as of a global shutter)"
    way = "lag behind (read upwards)" if readout_s > 0 else "lead (read downwards)"
    return f"first to last row: lower rows {way}"


def response(profile: CameraProfile, frequency_hz: float) -> complex:
    """What the detector makes of a temperature at `frequency_hz`: a complex factor, 1 at rest, lag negative.

    First order: 1/(1 + i w tau) (any textbook of measurement). With a measured table: its log gain and unwrapped phase,
    both relative to the first-order model of `tau_s` so that little is left to interpolate, linear in frequency, and
    held at the end rows outside; `covers` says how far that may be trusted.
    """
    model = 1 / (1 + 2j * math.pi * frequency_hz * profile.tau_s)
    if not profile.response:
        return model
    hz = np.array([r.frequency_hz for r in profile.response])
    model_at_rows = 1 / (1 + 2j * np.pi * hz * profile.tau_s)
    log_gain = np.log([r.gain for r in profile.response]) - np.log(np.abs(model_at_rows))
    phase = np.unwrap(np.deg2rad([r.phase_deg for r in profile.response])) - np.angle(model_at_rows)
    return complex(model * np.exp(np.interp(frequency_hz, hz, log_gain) + 1j * np.interp(frequency_hz, hz, phase)))


def response_sd(profile: CameraProfile, frequency_hz: float) -> tuple[float, float]:
    """(relative standard deviation of the gain, standard deviation of the phase in rad) of `response`.

    First order: from tau_sd_s by the derivatives of ln|R| and arg R with respect to tau, x = w tau:
    x^2/(1 + x^2) * sd/tau and x/(1 + x^2) * sd/tau. With a table: its deviations, linear between rows.
    """
    if not profile.response:
        w = 2 * math.pi * frequency_hz
        x = w * profile.tau_s
        return x * w * profile.tau_sd_s / (1 + x * x), w * profile.tau_sd_s / (1 + x * x)
    hz = [r.frequency_hz for r in profile.response]
    gain = np.interp(frequency_hz, hz, [r.gain_sd / r.gain for r in profile.response])
    return float(gain), math.radians(np.interp(frequency_hz, hz, [r.phase_sd_deg for r in profile.response]))


def covers(profile: CameraProfile, frequency_hz: float) -> bool:
    """Whether the profile may be used at `frequency_hz`: a first-order model always, a table in its range + MARGIN."""
    if not profile.response:
        return True
    lowest, highest = profile.response[0].frequency_hz, profile.response[-1].frequency_hz
    return lowest * (1 - MARGIN) <= frequency_hz <= highest * (1 + MARGIN)


def bad_pixel_mask(profile: CameraProfile) -> "NDArray[np.bool_] | None":
    """(rows, columns) bool, True where a pixel is bad (any non-zero value of the PNG); None without one. InputError."""
    if profile.bad_pixels is None:
        return None
    image = None
    with contextlib.suppress(OSError):
        image = gray_png.read(profile.bad_pixels.read_bytes())
    if image is None:  # another kind of picture, or none
        import cv2

        image = cv2.imread(str(profile.bad_pixels), cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise InputError(f"{profile.bad_pixels}: not a readable image, may be a PNG, non-zero where a pixel is bad")
    return np.asarray(image) > 0


def warnings(
    profile: CameraProfile, rows: int, columns: int, lens: str | None, today: datetime.date | None = None
) -> list[str]:
    """What is doubtful about using this profile with a camera of `rows` x `columns` and `lens`: one sentence each."""
    today = today or datetime.date.today()
    found = []
    if profile.made_on is None:
        found.append("the camera profile has no date (made_on): its age is not known")
    elif profile.made_on > today:
        found.append(f"the camera profile is dated {profile.made_on}, in the future: check the clock of this board")
    elif (age := (today - profile.made_on).days) > OLD_AFTER_DAYS:
        found.append(f"the camera profile is {age} days old: calibrate again (tau drifts, lenses are changed)")
    for name, own, now in (("rows", profile.rows, rows), ("columns", profile.columns, columns)):
        if own is not None and own != now:
            found.append(f"the camera profile was made with {own} {name}, this camera has {now}: is it another camera?")
    bad = bad_pixel_mask(profile)
    if bad is not None and bad.shape != (rows, columns):
        found.append(
            f"the camera profile's picture of bad pixels is of {bad.shape[0]} x {bad.shape[1]} pixels, this camera has {rows} x {columns}: "
            f"it is not used"
        )
    if lens is not None and profile.lens is not None and lens != profile.lens:
        found.append(f'the camera profile was made with lens "{profile.lens}", the rig has "{lens}"')
    if profile.response and all(r.phase_deg > 0 for r in profile.response):
        found.append("all phases of the measured response are positive, which is a lead: a lag is written negative")
    return found
