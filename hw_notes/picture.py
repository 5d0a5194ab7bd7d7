"""The picture of README.md, from the report of a demo: python hw_notes/picture.py bolotip-demo/out/report.html hw_notes/demo.png

Two maps of one fix (stress-sum range, 2f amplitude), crack size against cycles and growth rate with the Paris fit, on one sheet.
"""

import base64
import re
import sys
from pathlib import Path

import cv2
import numpy as np

PANELS = ("map of the stress-sum range", "map of 2f amplitude", "Crack size against", "Growth rate against")
FIX = -3  # of those behind the report's slider
HEIGHT_PX, GAP_PX = 330, 10
LEVELS = 16  # of each colour: a picture of noise is large otherwise


class Missing(Exception):
    """A page without the picture of that name."""


def panel(page: str, name: str) -> np.ndarray:
    """The picture of that name: the chosen fix's where there are many, on white, HEIGHT_PX high."""
    found = re.findall(rf'<img alt="{name}[^"]*" src="data:image/png;base64,([^"]+)"', page)
    if not found:
        raise Missing(name)
    image = cv2.imdecode(np.frombuffer(base64.b64decode(found[max(FIX, -len(found))]), np.uint8), cv2.IMREAD_COLOR)
    width = round(image.shape[1] * HEIGHT_PX / image.shape[0])
    return cv2.resize(image, (width, HEIGHT_PX), interpolation=cv2.INTER_AREA)


def sheet(page: str) -> np.ndarray:
    images = [panel(page, name) for name in PANELS]
    widths = [max(images[i].shape[1], images[i + 2].shape[1]) for i in range(2)]
    out = np.full((2 * HEIGHT_PX + GAP_PX, sum(widths) + GAP_PX, 3), 255, np.uint8)
    for i, image in enumerate(images):
        top, left = (i // 2) * (HEIGHT_PX + GAP_PX), (i % 2) * (widths[0] + GAP_PX)
        left += (widths[i % 2] - image.shape[1]) // 2
        out[top : top + HEIGHT_PX, left : left + image.shape[1]] = image
    return out


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit("usage: python hw_notes/picture.py REPORT.html PNG")
    try:
        made = sheet(Path(sys.argv[1]).read_text(encoding="utf-8"))
    except OSError as e:
        sys.exit(f"{sys.argv[1]}: cannot be read ({e.strerror}); make it with bolotip demo FOLDER")
    except Missing as e:
        remedy = "give FOLDER/out/report.html of bolotip demo FOLDER, or run bolotip growth and bolotip report on this one's folder"
        sys.exit(f'{sys.argv[1]}: has no picture "{e}"; {remedy}')
    step = 256 // LEVELS
    rounded = np.minimum((made.astype(int) + step // 2) // step * step, 255).astype(np.uint8)
    cv2.imwrite(sys.argv[2], rounded, [cv2.IMWRITE_PNG_COMPRESSION, 9])
