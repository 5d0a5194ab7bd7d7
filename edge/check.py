"""`bolotip check`: before the start, every source opened for a few seconds, each finding with its remedy."""

import contextlib
import ctypes
import errno
import json
import math
import os
import shutil
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from calibration import profile as profiles
from calibration.door import InputError
from edge import plausible
from edge.aliases import collisions
from edge.fix import NOISY
from edge.listening import Heard, Listener
from edge.port import open_port
from edge.rig import Rig, load_rig
from edge.sources.base import FrameSource, LoadSource
from edge.sources.opening import LIVE, live_frames, live_load, open_sources

SECONDS = 10.0
ENOUGH_FRAMES = 120  # for every finding
RATE_OFF = 0.02  # relative: what the loop's clock and phase hold for another rate (common practice, no source)
LOST, COPIES, BAD_LINES, AT_END = 0.01, 0.05, 0.01, 0.01  # shares worth a word (the same)
EACH_AGAIN = 0.3  # share of copies from which they are the camera's way (as in calibration/pixels.py)
HOT_C = 75.0  # small boards slow down from about 80 (from memory)
RECORDS_MB = 50.0  # room that records of some weeks take
THERMAL = Path("/sys/class/thermal")
UNSYNCHRONISED = 5  # TIME_ERROR of adjtimex(2), from memory of its manual page


@dataclass(frozen=True)
class Finding:
    """ok False: needs attention, with the remedy. usable False: no run is possible with this."""

    topic: str
    ok: bool
    text: str
    remedy: str = ""
    usable: bool = True


def main(rig_path: Path, seconds: float | None = None, as_json: bool = False, out: Path | None = None) -> int:
    """Print the findings; out: the run's own folder. 0: a run is possible, whatever needs attention; 2: it is not, or the
    rig file is wrong."""
    rig = load_rig(rig_path)
    if out is not None:
        rig = replace(rig, records=replace(rig.records, folder=out))
    if not as_json and rig.camera.source in LIVE:
        print(f"listening for {seconds or SECONDS:g} s", file=sys.stderr, flush=True)
    findings = check(rig, seconds or SECONDS)
    if as_json:
        ok = all(f.ok for f in findings)
        possible = all(f.usable for f in findings)
        told = {"rig": str(rig.path), "ok": ok, "possible": possible, "findings": [asdict(f) for f in findings]}
        print(json.dumps(told, indent=1))
    else:
        for f in findings:
            print(f"{'ok' if f.ok else 'attention':<10} {f.topic:<8} {f.text}")
            if f.remedy:
                print(f"{'':<20}{f.remedy}")
    unusable = [f for f in findings if not f.usable]
    if unusable and not as_json:
        print(f"bolotip: {rig.path}: no run is possible: {', '.join(f.topic for f in unusable)}", file=sys.stderr)
    return 2 if unusable else 0


def check(rig: Rig, seconds: float) -> list[Finding]:
    """All findings, in the order in which one would mend them."""
    findings = [*of_rig_file(rig), *of_profile(rig)]
    with contextlib.ExitStack() as stack:
        frames, load, troubles = open_both(rig)
        findings += troubles
        for source in (frames, load):
            if source is not None:
                stack.enter_context(source)
        if frames is not None or load is not None:
            try:
                heard = Listener(rig, frames, load).listen(seconds)
            except InputError as e:
                findings.append(Finding("camera", False, str(e), usable=False))
            else:
                if frames is not None:
                    findings += of_camera(rig, frames, heard)
                if load is not None:
                    findings += of_load(rig, load, heard)
                findings += of_aliases(rig, heard)
    return [*findings, *of_card(rig), *of_link(rig), of_clock(), of_board()]


def open_both(rig: Rig) -> tuple[FrameSource | None, LoadSource | None, list[Finding]]:
    """Each live source by itself, so that one that fails does not hide the other."""
    found: list[Finding] = []
    if rig.camera.source not in LIVE or rig.load.source not in ("serial", "frames"):
        try:
            return *open_sources(rig), found
        except InputError as e:
            return None, None, [Finding("sources", False, str(e), usable=False)]
    frames: FrameSource | None = None
    load: LoadSource | None = None
    try:
        frames = live_frames(rig)
    except InputError as e:
        found.append(Finding("camera", False, str(e), usable=False))
    try:
        load = live_load(rig)
    except InputError as e:
        found.append(Finding("load", False, str(e), usable=False))
    return frames, load, found


def of_rig_file(rig: Rig) -> Iterator[Finding]:
    try:
        doubts = [*plausible.of_rig(rig, aliases=False), *plausible.check_recording(rig)]
    except InputError as e:
        yield Finding("rig file", False, str(e), usable=False)
        return
    for doubt in doubts:
        yield Finding("rig file", False, doubt)
    if not doubts:
        yield Finding("rig file", True, f"{rig.path}: nothing odd in it")


def of_profile(rig: Rig) -> Iterator[Finding]:
    """Age, size and lens of the camera profile; what it leaves out; whether it covers the load frequency."""
    path = rig.camera.profile
    if path is None:
        yield Finding(
            "profile", False, "none: records will be flagged uncalibrated, amplitudes are too small and phases off",
            "bolotip calibrate step REC --profile camera.toml, then [camera] profile",
        )  # fmt: skip
        return
    profile = profiles.load_profile(path)
    doubts = profiles.warnings(profile, rig.camera.rows, rig.camera.columns, rig.camera.lens)
    for doubt in doubts:
        yield Finding("profile", False, doubt, "bolotip calibrate, or name the right profile in [camera] profile")
    if profile.missing:
        names = ", ".join(profile.missing)
        yield Finding("profile", False, f"{path} leaves out {names}: taken as 0", "measure it: bolotip calibrate sweep or step")
    far = [k for k in range(1, rig.lockin.harmonics + 1) if not profiles.covers(profile, k * rig.load.frequency_hz)]
    if far:
        hz = far[0] * rig.load.frequency_hz
        low, high = profile.response[0].frequency_hz, profile.response[-1].frequency_hz
        yield Finding(
            "profile", False, f"{path} was measured from {low:g} to {high:g} Hz, {hz:g} Hz is outside",
            f"bolotip calibrate sweep that takes {hz:g} Hz in, or another load frequency",
        )  # fmt: skip
    if not doubts and not profile.missing and not far:
        yield Finding("profile", True, f"{path} of {profile.made_on}, tau {1e3 * profile.tau_s:.3g} ms")


def of_camera(rig: Rig, frames: FrameSource, heard: Heard) -> Iterator[Finding]:
    """Frame rate, losses, copies, ends of the range, noise."""
    if not heard.frames:
        why = frames.fault or "silent"
        yield Finding("camera", False, f"no frame came in {heard.seconds:.0f} s: {why}", "check power, cable, [camera]", usable=False)
        return
    nominal, rate = rig.camera.frame_rate_hz, heard.frame_rate_hz
    text = f"{rate:.4g} frames/s, {heard.frames} frames in {heard.seconds:.0f} s"
    if abs(rate / nominal - 1) > RATE_OFF and heard.frames > 10:
        yield Finding("camera", False, f"{text}; the rig file says {nominal:g}", f"[camera] frame_rate_hz = {rate:.4g}")
    elif heard.frames > 10:
        yield Finding("camera", True, text)
    else:
        yield Finding("camera", False, f"{text}: too few to judge", f"listen longer: --seconds {longer(heard)}")
    lost = heard.lost / (heard.lost + heard.frames)
    more = _told(frames, ("lost", "frames missing in the module's count"), ("bad", "damaged"), ("dropped", "not fetched in time"))
    text = f"{heard.lost} frames lost ({lost:.1%}){more}"
    remedy = "another USB port or a shorter cable; nothing else on the bus; a faster board" if lost > LOST else ""
    yield Finding("camera", lost <= LOST, text, remedy)
    if heard.copies > COPIES * heard.frames:
        yield Finding(
            "camera", False, f"{heard.copies} of {heard.frames} frames are copies of the one before",
            "the camera measures more slowly than it sends, or stands still (shutter): copies are left out of the estimate",
        )  # fmt: skip
    if heard.not_raw:
        why, remedy = heard.not_raw.split("; ", 1)
        yield Finding("camera", False, why, remedy)
    elif heard.end_share > AT_END:
        yield Finding(
            "camera", False, f"{heard.end_share:.0%} of the pixels are at an end of the range",
            "set the camera to a wider range, without automatic gain; hide hot or cold things behind the specimen",
        )  # fmt: skip
    yield from of_noise(rig, heard)


def longer(heard: Heard) -> int:
    """Seconds in which enough frames should come, as they came so far."""
    return max(60, 10 * math.ceil(ENOUGH_FRAMES / max(heard.frames, 1) * heard.seconds / 10))


def of_noise(rig: Rig, heard: Heard) -> Iterator[Finding]:
    if heard.noise_counts is None:
        yield Finding("noise", False, "too few frames to tell", f"listen longer: --seconds {longer(heard)}")
        return
    profile = profiles.load_profile(rig.camera.profile) if rig.camera.profile else None
    per_K = (profile.counts_per_K if profile else None) or rig.camera.counts_per_K
    assert per_K is not None  # the rig file's door has seen to it
    noise_K = heard.noise_counts / per_K
    text = f"{1e3 * noise_K:.0f} mK a frame" + ("" if heard.load else ", flicker of a load included")
    netd_K = profile.netd_K if profile else None
    if netd_K is None:
        yield Finding("noise", True, f"{text}; no netd_K in the profile to compare with")
    elif noise_K > NOISY * netd_K:
        yield Finding(
            "noise", False, f"{text}, {noise_K / netd_K:.1f} times the profile's {1e3 * netd_K:.0f} mK",
            "focus, draught, reflections; let the camera warm up for half an hour; check [camera] counts_per_K",
        )  # fmt: skip
    else:
        yield Finding("noise", True, f"{text}, the profile says {1e3 * netd_K:.0f} mK")


def of_load(rig: Rig, load: LoadSource, heard: Heard) -> Iterator[Finding]:
    """Frequency, range, ratio, samples, damaged lines, latency."""
    state, nominal = heard.load, rig.load.frequency_hz
    if state is None:
        came = f"{heard.samples_per_s:.0f} samples/s came" if heard.samples_per_s else "no samples came"
        why = f": {load.fault}" if load.fault else ""
        yield Finding(
            "load", False, f"no cyclic load near {nominal:g} Hz; {came}{why}",
            "start the machine at a low load; check the wire, [load] port, baud and frequency_hz; listen longer: --seconds 30",
        )  # fmt: skip
        return
    text = f"{state.frequency_hz:.5g} Hz"
    if rig.load.source != "frames" and not load.nominal:
        text += f", range {state.range_kN:.4g} kN, ratio {state.ratio:.3f}, {heard.samples_per_s:.0f} samples/s"
    else:
        text += f", range not measured ({'frames' if rig.load.source == 'frames' else 'edges'} tell phase and frequency only)"
    if abs(state.frequency_hz / nominal - 1) > RATE_OFF:
        text = f"{text}; the rig file says {nominal:g} Hz"
        yield Finding("load", False, text, f"[load] frequency_hz = {state.frequency_hz:.4g}, and bolotip plan again")
    else:
        yield Finding("load", True, text)
    if rig.load.source != "frames" and not load.nominal:  # a nominal one is the rig file's, and doubted there
        for doubt in plausible.load_range(rig, state.range_kN, "the load's range"):
            yield Finding("load", False, doubt, "[load] scale_kN_per_unit")
    yield from of_load_wire(load)


def of_load_wire(load: LoadSource) -> Iterator[Finding]:
    from edge.sources.serial_load import SerialLoad

    if not isinstance(load, SerialLoad):
        return
    good, bad = load.lines.good, load.lines.bad
    if bad > BAD_LINES * (good + bad):
        text = f"{bad} of {good + bad} lines damaged"
        yield Finding("load", False, text, "shorter cable, a common ground or an isolator; *hh checks on the lines")
    how = "measured" if load.latency_measured else "computed from the baud rate: what an adapter adds is not known"
    text = f"latency {1e3 * load.latency_s:.2f} ms +- {1e3 * load.latency_sd_s:.2f}, {how}"
    remedy = "" if load.latency_measured else "a board that sends ? lines back (hw_notes/wiring.md)"
    yield Finding("load", True, text, remedy)


def of_aliases(rig: Rig, heard: Heard) -> Iterator[Finding]:
    hz = heard.load.frequency_hz if heard.load else rig.load.frequency_hz
    nominal = rig.camera.frame_rate_hz
    rate = heard.frame_rate_hz if heard.frames > 10 and abs(heard.frame_rate_hz / nominal - 1) < 0.5 else nominal
    images = heard.frames - heard.copies
    if images and heard.copies > EACH_AGAIN * heard.frames:  # it is the images that the load is seen by
        rate /= round(heard.frames / images)
    met = collisions(hz, rate, rig.lockin.memory_s, rig.lockin.mains_hz)
    wanted = [p for p in met.pairs if p.spoils & set(range(1, rig.lockin.harmonics + 1))]
    for pair in wanted:
        yield Finding("aliases", False, pair.text, "another load frequency: bolotip plan lists those that suit")
    if not wanted:
        yield Finding("aliases", True, f"harmonics of {hz:.4g} Hz stay apart at {rate:.4g} frames/s")


def of_card(rig: Rig) -> Iterator[Finding]:
    """Room and rights where the records go."""
    folder = rig.records.folder
    place = next(p for p in (folder, *folder.absolute().parents) if p.exists())
    probe = place / f".bolotip-check-{os.getpid()}"
    try:
        probe.write_bytes(b"x")
    except OSError as e:
        why = f"{place} cannot be written: {e.strerror}"
        yield Finding("card", False, why, "mount it for writing, free room, or give another [records] folder", usable=False)
        return
    finally:
        with contextlib.suppress(OSError):
            probe.unlink(missing_ok=True)
    free_MB = shutil.disk_usage(place).free / 1e6
    wanted_MB = rig.records.budget_MB
    text = f"{free_MB:,.0f} MB free in {place}"
    if free_MB < wanted_MB:
        remedy = f"[records] budget_MB = {max(1.0, math.floor(0.8 * free_MB)):g}, or free room"
        enough = "even records will fill it" if free_MB < RECORDS_MB else "enough for records"
        yield Finding("card", False, f"{text}, budget_MB is {wanted_MB:g}; {enough}", remedy)
    else:
        yield Finding("card", True, text)


def of_link(rig: Rig) -> Iterator[Finding]:
    port = rig.records.serial_port
    if port is None:
        return
    for name, part in (("load", rig.load), ("camera", rig.camera)):
        if part.source == "serial" and part.port and os.path.realpath(part.port) == os.path.realpath(port):
            told = f"{port}: [records] serial_port and [{name}] port are one port"
            yield Finding("link", False, told, "give the link a port of its own in [records] serial_port")
            return
    try:
        open_port(port, rig.records.serial_baud).close()
    except (OSError, ValueError) as e:
        why = getattr(e, "strerror", None) or str(e)
        yield Finding("link", False, f"{port}: {why}; records wait for it", "give the port of the link in [records] serial_port")
    else:
        yield Finding("link", True, f"{port} opens at {rig.records.serial_baud} baud; whether anybody listens is not known")


def of_clock() -> Finding:
    """Whether the kernel holds the calendar clock for synchronised. Only time_utc depends on it."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        state = libc.adjtimex(ctypes.create_string_buffer(1024))  # struct timex with modes = 0: only asks
    except (OSError, AttributeError):
        state = -1
    if state < 0:
        why = errno.errorcode.get(ctypes.get_errno(), "no such call")
        return Finding("clock", True, f"the system does not tell whether the calendar is synchronised ({why})")
    if state == UNSYNCHRONISED:
        return Finding(
            "clock", False, "the calendar is not synchronised: time_utc and the count after a power cut depend on it",
            "network time (timedatectl set-ntp true), or a battery-backed clock",
        )  # fmt: skip
    return Finding("clock", True, "the calendar is synchronised")


def of_board(folder: Path = THERMAL) -> Finding:
    """The hottest of the temperatures that the system tells."""
    found = []
    for path in sorted(folder.glob("thermal_zone*/temp")):
        with contextlib.suppress(OSError, ValueError):
            found.append(int(path.read_text()) / 1000)
    if not found:
        return Finding("board", True, "tells no temperature")
    hottest = max(found)
    remedy = "a heat sink, shade, air; keep it away from the hydraulics" if hottest > HOT_C else ""
    return Finding("board", hottest <= HOT_C, f"{hottest:.0f} degrees C", remedy)


def _told(source: object, *names: tuple[str, str]) -> str:
    """Counts of a source that are not 0, in words."""
    counts = [(getattr(source, name, 0), words) for name, words in names]
    return "".join(f", {n} {words}" for n, words in counts if n)
