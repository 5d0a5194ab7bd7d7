"""A row's bytes and its way through the serial sink at 9600 baud."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import links

from bench.common import Line
from edge.record import encode_row, header_line
from edge.sinks.wire import WireSink

BAUD, BITS_A_BYTE = 9600, 10  # start and stop bit
MOST_BYTES, MOST_S = 320, 0.5


def measure(rows: int = 40) -> Iterator[Line]:
    longest, sink_s = 0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        cable = links.Cable(Path(folder) / "port")
        with WireSink(str(cable.port), BAUD) as wire:
            wire.open()
            for seq in range(rows):
                row = links.invented_row(seq)
                longest = max(longest, len(encode_row(row).encode()) + 1)
                start = time.monotonic()
                wire.write_row(row)
                cable.read_to(seq, wire.pump)
                sink_s = max(sink_s, time.monotonic() - start)
        cable.unplug()
    line_s = longest * BITS_A_BYTE / BAUD
    header_s = (len(header_line()) + 1) * BITS_A_BYTE / BAUD
    yield Line("a full row", f"{longest} bytes", f"≤ {MOST_BYTES} bytes", longest <= MOST_BYTES)
    yield Line(
        f"… on the line at {BAUD} baud (computed, {BITS_A_BYTE} bits a byte), with the longest way through sink and pty "
        f"(measured, {sink_s * 1e3:.0f} ms)",
        f"{line_s + sink_s:.2f} s",
        f"≤ {MOST_S:g} s",
        line_s + sink_s <= MOST_S,
    )
    yield Line("… the first row of a connection, behind the header row", f"{line_s + sink_s + header_s:.2f} s")
