"""`bolotip demo`: the whole job on a simulated bench, from rig file to report. Every number of the test is invented.

The scenario: a plate with a central notch, pulled at 7 Hz for nearly two and a half hours, with one overload of one and
a half times the peak. The camera looks for fifty seconds before each record is due, the load signal runs all the time.
Growth is some ten times faster than steel's, so that a test fits into a minute.
"""

import time
from datetime import date
from pathlib import Path

from calibration.door import InputError
from edge.record import Row
from edge.rig import load_rig
from edge.run import run_sources
from edge.terminal import Teller

RIG = """# Rig file of the demo: an invented test on a simulated bench. Any key here can be changed and run again with
#   bolotip run rig.toml --out another-folder
[specimen]
geometry = "MT"
width_mm = 60.0
thickness_mm = 4.0
notch_mm = 6.0
material = "mild steel"
temperature_C = 22.0

[load]
source = "simulated"
frequency_hz = 7.0

[camera]
source = "simulated"
rows = 120
columns = 160
frame_rate_hz = 25.0
counts_per_K = 100.0
zero_K = 0.0
profile = "camera.toml"

[view]
mm_per_px = 0.15
datum_px = [60.0, 10.0]
growth_angle_deg = 0.0

[lockin]
memory_s = 45.0
harmonics = 3

[records]
every_s = 300.0
maps_every_s = 900.0
folder = "out"
target_crack_mm = 17.0
"""
FIXES = 28
LAW = {"start_mm": 7.5, "C_effective": 1.03e-7, "m": 3.0, "overload_cycle": 22_222, "overload_ratio": 1.5}
PROFILE = """# Camera profile of the demo: an invented microbolometer.
tau_s = 0.0100
tau_sd_s = 0.0001
readout_s = 0.0120
readout_sd_s = 0.0002
counts_per_K = 100.0
netd_K = 0.050
rows = 120
columns = 160
made_on = TODAY
made_from = ["invented"]
"""


def _undated(text: str) -> list[str]:
    """The lines without the day on which they were made."""
    return [line for line in text.splitlines() if not line.startswith("made_on = ")]


def main(folder: Path | None) -> int:
    """Run the demo in `folder` (default: bolotip-demo). Existing results there, or a rig file or profile of the user's own, are an
    error: nothing is overwritten."""
    folder = folder or Path("bolotip-demo")
    out = folder / "out"
    if (out / "records.csv").exists():
        raise InputError(f"{out}: holds records already; give another folder: bolotip demo DIR")
    started = time.monotonic()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, own in ((folder / "rig.toml", RIG), (folder / "camera.toml", PROFILE)):
            if path.exists() and _undated(path.read_text("utf-8", "replace")) != _undated(own):
                raise InputError(f"{path}: is there already and not the demo's; give another folder: bolotip demo DIR")
        (folder / "rig.toml").write_text(RIG)
        (folder / "camera.toml").write_text(PROFILE.replace("TODAY", date.today().isoformat()))
    except OSError as e:
        raise InputError(f"{folder}: cannot be written ({e.strerror}); give a folder that you may write to: bolotip demo DIR") from None
    rig = load_rig(folder / "rig.toml")
    from edge.sources.simulated import AFTER_ROW_S, bench_from_rig

    seconds = FIXES * rig.records.every_s + AFTER_ROW_S
    bench = bench_from_rig(rig, camera={"drift_K_per_h": 0.2}, law=LAW, duration_s=seconds)
    print("Simulated bench; all its numbers are invented: da/dN = C dK^m with m = 3, one overload, no other trouble.")
    print(f"Stages: measuring ({FIXES} fixes and a last one at the end, {rig.lockin.memory_s:g} s of memory each), growth rates, report.")

    text = Teller()

    def tell(row: Row) -> None:
        print(text(row), flush=True)

    loop = run_sources(rig, bench.frames, bench.load, out, tell)
    if loop.stop:
        print(f"Stopped before its end: {loop.totals.seq} fixes in {out}, no growth rates and no report.")
        return 0
    from edge import growth, report

    growth.main([out], None)
    code = report.main(out, None)
    print(f"Done in {time.monotonic() - started:.0f} s. Open {out / 'report.html'}")
    return code
