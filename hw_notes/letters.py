"""The letters of the status picture, edge/letters.npz, from DejaVu Sans as it comes with matplotlib: python hw_notes/letters.py

DejaVu Sans may be used, embedded and passed on freely (its licence stands beside it in matplotlib); here are gray pictures of some
letters only. cells_N (letters, height, width) uint8: 0 paper to 255 ink, for letters N pixels high in type; left_N, advance_N:
pixels from the writing place to the cell, and to the next place; base: row of the base line; letters: which they are.
"""

import io
import math
import sys
import zipfile
from pathlib import Path

import matplotlib
import numpy as np
from matplotlib.ft2font import FT2Font, LoadFlags

from edge.letters import SIZES

LETTERS = "".join(map(chr, range(32, 127))) + "±"
ASCENT, DESCENT = 1.0, 0.4  # of the size
EXTRA = 0.3  # pixels between letters: whole pixels crowd some


def drawn(size: int) -> dict[str, np.ndarray]:
    """Cells of all letters in one size, pixels."""
    font = FT2Font(str(Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"))
    font.set_size(size, 72)
    base, height = round(ASCENT * size), round((ASCENT + DESCENT) * size)
    cells, left, advance = [], [], []
    for letter in LETTERS:
        glyph = font.load_char(ord(letter), flags=LoadFlags.TARGET_LIGHT)
        font.set_text(letter, flags=LoadFlags.TARGET_LIGHT)
        font.draw_glyphs_to_bitmap(antialiased=True)
        image = np.array(font.get_image(), np.uint8)
        rows, columns = np.nonzero(image)
        cell = np.zeros((height, 2 * size), np.uint8)
        if rows.size:
            image = image[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
            top = base - math.ceil(glyph.bbox[3] / 64)  # a row that is inked in part is a row of the picture
            cell[top : top + image.shape[0], : image.shape[1]] = image
        cells.append(cell)
        left.append(math.floor(glyph.bbox[0] / 64))
        advance.append(glyph.linearHoriAdvance / 65536 + EXTRA)
    widest = max(int(np.nonzero(c.any(0))[0].max(initial=0)) for c in cells) + 1
    return {
        f"cells_{size}": np.array(cells)[:, :, :widest], f"left_{size}": np.array(left, np.int8),
        f"advance_{size}": np.array(advance, np.float32), f"base_{size}": np.array(base),
    }  # fmt: skip


if __name__ == "__main__":
    arrays = {"letters": np.array(LETTERS)}
    for size in SIZES:
        arrays |= drawn(size)
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[1] / "edge" / "letters.npz"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:  # as numpy.savez_compressed, but the same bytes each time
        for name, array in arrays.items():
            held = io.BytesIO()
            np.save(held, array)
            packed.writestr(zipfile.ZipInfo(f"{name}.npy"), held.getvalue(), zipfile.ZIP_DEFLATED)
