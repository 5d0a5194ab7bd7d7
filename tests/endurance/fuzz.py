"""Fuzz of every file and wire: a valid example, edited; what reads it must say one clear line, or skip and count.

A target has an example of what it reads and `read(data, folder)`, which returns what became of it: "taken", "refused"
(an InputError of one line) or "skipped" (garbage on a wire, counted, with the good part after it still understood), and
raises for anything else: a traceback in the program, a message of several lines, a buffer that grows.
"""

from __future__ import annotations

import io
import random
import tempfile
import time
import zlib
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from links import invented_row
from recordings import toml

from calibration.door import InputError
from calibration.profile import load_profile, response
from edge.record import LONGEST_ROW_BYTES, crc32_text, encode_row, header_line, read_records
from edge.rig import load_rig
from edge.sinks.card import CardSink
from edge.sinks.events import EVENTS_HEADER, EventFile
from edge.sources.base import EndOfSource
from edge.sources.load_lines import LONGEST_LINE, LoadLines
from edge.sources.recording import RecordedFrames, RecordedLoad
from edge.sources.serial_frames import HEADER, SYNC, VERSION, FrameDecoder
from endurance.place import Outcome, tables

ROWS, COLUMNS = 12, 16
TOKENS = (
    b"",
    b"\n",
    b"\r\n",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b",",
    b'"',
    b"=",
    b"[",
    b"]]",
    b"nan",
    b"-inf",
    b"1e999",
    b"-1",
    b"0",
    b"9" * 400,
    b"\xe2\x88\x9e",
    b"[[[[[[[[" * 300,
    b"x" * 3000,
    SYNC,
    b"../../../etc",
    b"1979-05-27",
    b"true",
)


def edited(example: bytes, edits: list[tuple[float, int, bytes]]) -> bytes:
    """`example` with each edit made: at this part of its length, so many bytes replaced by these."""
    for place, length, by in edits:
        at = round(place * len(example))
        example = example[:at] + by + example[at + length :]
    return example


def random_edits(chance: random.Random) -> list[tuple[float, int, bytes]]:
    def one() -> tuple[float, int, bytes]:
        kind = chance.randrange(5)
        if kind == 0:
            return chance.random(), 10**9, b""  # cut off
        if kind == 1:
            return chance.random(), 1, chance.randbytes(1)
        if kind == 2:
            return chance.random(), chance.randrange(60), chance.choice(TOKENS)
        if kind == 3:
            return chance.random(), 0, chance.randbytes(chance.randrange(200))
        return chance.random(), chance.randrange(200), b""

    return [one() for _ in range(chance.randrange(1, 6))]


@dataclass(frozen=True)
class Target:
    name: str
    example: bytes
    read: Callable[[bytes, Path], str]


def refusal(call: Callable[[], object]) -> str:
    """ "taken", or "refused" where an InputError of one line was raised."""
    try:
        call()
    except InputError as e:
        assert "\n" not in str(e) and len(str(e)) < 2000, f"not one line: {e!r}"
        return "refused"
    return "taken"


def put(data: bytes, path: Path) -> Path:
    path.write_bytes(data)
    return path


# --- files


def rig_file(data: bytes, folder: Path) -> str:
    return refusal(lambda: load_rig(put(data, folder / "rig.toml"), check_files=False))


def profile(data: bytes, folder: Path) -> str:
    return refusal(lambda: response(load_profile(put(data, folder / "camera.toml")), 7.0))


def load_csv(data: bytes, folder: Path) -> str:
    def call() -> None:
        source = RecordedLoad(put(data, folder / "load.csv"), 1.0, 0.0)
        while not source.ended:
            time_s, load_kN = source.read(1e30)
            assert np.isfinite(time_s).all() and np.isfinite(load_kN).all()

    return refusal(call)


def all_frames(path: Path, times: Path | None) -> None:
    with RecordedFrames(path, times, ROWS, COLUMNS, 25.0) as source:
        for _ in range(1000):
            try:
                frame = source.read(0.0)
            except EndOfSource:
                return
            assert frame.counts.shape == (ROWS, COLUMNS) and frame.counts.dtype == np.uint16 and np.isfinite(frame.time_s)


def frame_times(data: bytes, folder: Path) -> str:
    np.save(folder / "frames.npy", np.zeros((20, ROWS, COLUMNS), np.uint16))
    return refusal(lambda: all_frames(folder / "frames.npy", put(data, folder / "frames.csv")))


def npy(data: bytes, folder: Path) -> str:
    return refusal(lambda: all_frames(put(data, folder / "frames.npy"), None))


def tiff(data: bytes, folder: Path) -> str:
    return refusal(lambda: all_frames(put(data, folder / "frames.tif"), None))


def records(data: bytes, folder: Path) -> str:
    """Read, taken up again for writing, and read again: the new row must stand in it."""
    before = refusal(lambda: read_records(put(data, folder / "records.csv")))
    with CardSink(folder) as card:
        card.write_row(invented_row(77))
        assert card.state == "ok"
    assert read_records(folder).rows[-1].seq == 77
    return before


def events(data: bytes, folder: Path) -> str:
    file = EventFile(put(data, folder / "events.csv").parent)
    file.write_event("overload", 5, 1.0, 9.0, 1.0)
    file.close()
    assert (folder / "events.csv").read_bytes().endswith(b"overload,5,1.00,9,1\n")
    return "taken"


# --- wires: the edited example, then a good one, which must be understood


def pieces(data: bytes) -> list[bytes]:
    """Cut anywhere, the same way each time."""
    chance, out = random.Random(len(data)), []
    while data:
        n = chance.randrange(1, 400)
        out.append(data[:n])
        data = data[n:]
    return out


def wire_frame(sequence: int, value: int) -> bytes:
    """A frame in the framing of hw_notes/serial_frames.md."""
    payload = np.full((ROWS, COLUMNS), value, "<u2").tobytes()
    head = HEADER.pack(SYNC, VERSION, 1, ROWS, COLUMNS, 0, sequence, len(payload), 40000 * sequence, 0)[:-4]
    head += zlib.crc32(head).to_bytes(4, "little")
    return head + payload + zlib.crc32(head + payload).to_bytes(4, "little")


def serial_frames(data: bytes, folder: Path) -> str:
    decoder = FrameDecoder(2 * ROWS * COLUMNS)
    for piece in pieces(data):
        decoder.feed(piece)
        assert len(decoder._buffer) <= 2 * ROWS * COLUMNS + HEADER.size + 4 + 400
    skipped = decoder.bad or decoder.noise_bytes or decoder.other_size
    if decoder._pass_over:  # an intact header of a larger frame: its payload is awaited, and may be of any length
        decoder.reset()
    good = [wire_frame(n, n) for n in range(100, 104)]
    found = [f for g in good for f in decoder.feed(g)]
    assert [f.sequence for f in found][-2:] == [102, 103]  # a cut-off frame may swallow what follows it
    return "skipped" if skipped else "taken"


def serial_load(data: bytes, folder: Path) -> str:
    lines = LoadLines()
    for piece in pieces(data):
        found = lines.feed(piece)
        assert len(lines._rest) <= LONGEST_LINE and np.isfinite(found.value + found.far_s).all()
    skipped = lines.bad
    good = b"\n" + b"".join(b"%d.5,%d.25\n" % (n, n) for n in range(60))
    assert lines.feed(good).value[-1] == 59.25
    return "skipped" if skipped else "taken"


def link(data: bytes, folder: Path) -> str:
    """The desk end of the serial link."""
    from edge.receive import Desk

    quiet = io.StringIO()
    with redirect_stdout(quiet), redirect_stderr(quiet), Desk(folder / "desk") as desk:
        for piece in pieces(data):
            desk.take(piece)
            assert len(desk._unfinished) <= LONGEST_ROW_BYTES
        desk.take(b"\n" + header_line().encode() + b"\n" + encode_row(invented_row(4000)).encode() + b"\n")
        skipped = desk.counts.corrupt
    assert read_records(folder / "desk").rows[-1].seq == 4000
    return "skipped" if skipped else "taken"


# --- rows with a right checksum and wrong values


def row_values(data: bytes, folder: Path) -> str:
    """Cells of a row edited and its checksum made right: reading refuses it or holds finite numbers."""
    cells = data.replace(b"\n", b"").decode("utf-8", "surrogateescape")
    line = f"{cells},{crc32_text(cells.encode('utf-8', 'surrogateescape'))}\n"
    text = header_line() + "\n" + line
    put(text.encode("utf-8", "surrogateescape"), folder / "records.csv")
    found = read_records(folder)
    for row in found.rows:
        assert row.crack_mm is None or np.isfinite(row.crack_mm)
    with CardSink(folder) as card:
        assert (card.resume is None) == (not found.rows)
    return "taken" if found.rows else "skipped"


def saved(array: np.ndarray) -> bytes:
    memory = io.BytesIO()
    np.save(memory, array)
    return memory.getvalue()


class Trap:
    """Would leave a file behind if it were ever unpickled."""

    def __reduce__(self):
        return open, (str(Path(tempfile.gettempdir()) / "bolotip-unpickled"), "w")


def pickled_npy() -> bytes:
    memory = io.BytesIO()
    np.save(memory, np.array([Trap()], dtype=object), allow_pickle=True)
    return memory.getvalue()


def some_tiff() -> bytes:
    import cv2

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "f.tif"
        frames = [np.full((ROWS, COLUMNS), 1000 * n, np.uint16) for n in range(3)]
        cv2.imwritemulti(str(path), frames, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
        return path.read_bytes()


def targets() -> list[Target]:
    rig = tables()
    rig["records"] |= {"budget_MB": 100}
    some_profile = "tau_s = 0.010\nreadout_s = 0.012\ncounts_per_K = 100\nmade_on = 2031-05-06\nmade_from = ['a', 'b']\n"
    some_profile += "[[response]]\nfrequency_hz = 5\ngain = 0.9\nphase_deg = -20\n"
    some_profile += "[[response]]\nfrequency_hz = 9\ngain = 0.8\nphase_deg = -30\n"
    rows = [encode_row(invented_row(n)) for n in range(4)]
    text = "\n".join([header_line(), *rows]) + "\n"
    load = "time_s,load_kN\n" + "".join(f"{n / 100:.2f},{n % 7}.5\n" for n in range(60))
    times = "frame,time_s\n" + "".join(f"{n},{n / 25:.3f}\n" for n in range(20))
    wire = b"".join(wire_frame(n, 7 * n) for n in range(4))
    lines = b"\n#?\n" + b"".join(b"%d.01,%d.5*%02X\n" % (n, n, check(b"%d.01,%d.5" % (n, n))) for n in range(40))
    return [
        Target("rig file", toml(rig).encode(), rig_file),
        Target("camera profile", some_profile.encode(), profile),
        Target("load CSV", load.encode(), load_csv),
        Target("frame times CSV", times.encode(), frame_times),
        Target("NPY frames", saved(np.arange(5 * ROWS * COLUMNS, dtype=np.uint16).reshape(5, ROWS, COLUMNS)), npy),
        Target("NPY with pickles", pickled_npy(), npy),
        Target("TIFF frames", some_tiff(), tiff),
        Target("records CSV", text.encode(), records),
        Target("records, right checksum", rows[0].rpartition(",")[0].encode(), row_values),
        Target("events CSV", (EVENTS_HEADER + "\noverload,5,1.00,9,1\n" * 3).encode(), events),
        Target("serial frames", wire, serial_frames),
        Target("serial load", lines, serial_load),
        Target("serial link", (text + text).encode(), link),
    ]


def check(line: bytes) -> int:
    """The exclusive or of the bytes."""
    total = 0
    for byte in line:
        total ^= byte
    return total


def campaign(target: Target, count: int, seed: int = 20310506) -> Outcome:
    """`count` edited examples."""
    from soak import resident_MB

    chance = random.Random(f"{seed} {target.name}")
    became = {"taken": 0, "refused": 0, "skipped": 0}
    slowest_s, wrong, start_MB = 0.0, "", 0.0
    trap = Path(tempfile.gettempdir()) / "bolotip-unpickled"
    trap.unlink(missing_ok=True)
    for number in range(count):
        data = edited(target.example, random_edits(chance)) if number else target.example
        if number == count // 5:
            start_MB = resident_MB(own_only=True)
        with tempfile.TemporaryDirectory() as folder:
            begun = time.monotonic()
            try:
                became[target.read(data, Path(folder))] += 1
            except Exception as e:
                wrong = wrong or f"example {number}: {type(e).__name__}: {str(e)[:100]}"
            slowest_s = max(slowest_s, time.monotonic() - begun)
    growth_MB = resident_MB(own_only=True) - start_MB
    unpickled = trap.exists()
    told = ", ".join(f"{n:,} {word}" for word, n in became.items() if n)
    return Outcome(
        f"bad input: {target.name}",
        f"{count:,} edited examples (bytes changed, cut, inserted; tokens put in)",
        f"{told}; slowest {slowest_s * 1e3:.0f} ms, memory {growth_MB:+.1f} MB"
        + (f"; WRONG: {wrong}" if wrong else "")
        + ("; UNPICKLED" if unpickled else ""),
        not wrong and not unpickled and slowest_s < 5 and growth_MB < 20,
    )
