"""The way the crack has taken: its length along itself, and the direction in which it grows now.

Points are kept in millimetres from the datum, right and up in the image, and move with the specimen. The direction is
that of the last stretch of the path; before there is one, the rig file's.
"""

import numpy as np

SPACING_MM = 0.25  # a new point when the tip has gone this far beyond the last: noise must not lengthen the path
STRETCH_MM = 1.5  # over which the direction is taken
TURN_DEG = 45.0  # from the rig file's direction, at most


class CrackPath:
    """Path from the datum over the notch's end to the tip. Points lie the further apart, the less well the tip is known."""

    def __init__(self, notch_mm: float, growth_angle_deg: float):
        self.growth_angle_deg = growth_angle_deg
        end = notch_mm * np.exp(1j * np.deg2rad(growth_angle_deg))
        self.points: list[complex] = [0j, end]
        self.first_detour_mm: float | None = None

    def length_mm(self, tip: complex) -> float:
        """Size of a crack with its tip at `tip` (right + i up, mm from the datum)."""
        turn = np.exp(-1j * np.deg2rad(self.growth_angle_deg))
        if (tip * turn).real <= abs(self.points[1]) or len(self.points) == 2 and self.points[1] == 0:
            return float((tip * turn).real)  # in the notch, or no notch known: straight on
        behind = self._behind(tip)
        steps = np.abs(np.diff(np.array(self.points[: behind + 1])))
        return float(steps.sum() + abs(tip - self.points[behind]))

    def detour_mm(self, tip: complex) -> float:
        """By how much the way over the notch's end is longer than straight on in the rig file's direction: as much may be wrong
        while the crack's direction has not been seen. After that it is the crack's own way, but for what it was at first sight."""
        if self.seen and self.first_detour_mm is not None:
            return self.first_detour_mm
        detour = self.length_mm(tip) - float((tip * np.exp(-1j * np.deg2rad(self.growth_angle_deg))).real)
        if detour > 0 and self.first_detour_mm is None:  # beyond the notch
            self.first_detour_mm = detour
        return detour

    def _behind(self, tip: complex) -> int:
        """Index of the last point that lies well behind `tip`: from a nearer one noise would lengthen the way."""
        turn = np.exp(-1j * np.deg2rad(self.angle_deg()))
        for i in range(len(self.points) - 1, 1, -1):
            if ((tip - self.points[i]) * turn).real > 0.5 * SPACING_MM:
                return i
        return 1

    def extend(self, tip: complex, sd_mm: float) -> None:
        """Add the tip as a new point if it is clearly beyond the last one."""
        step = tip - self.points[-1]
        turn = np.exp(-1j * np.deg2rad(self.angle_deg()))
        if abs(step) > max(SPACING_MM, 6 * sd_mm) and (step * turn).real > 0.5 * abs(step):
            self.points.append(tip)

    @property
    def seen(self) -> bool:
        """Whether the crack has grown far enough under the camera's eyes for its direction to be known."""
        return any(abs(self.points[-1] - p) >= STRETCH_MM for p in self.points[2:-1])

    def angle_deg(self) -> float:
        """Direction of the last STRETCH_MM of the path, or of the way from the notch's end; the rig file's while there is
        neither."""
        last = self.points[-1]
        for point in reversed(self.points[1:-1]):
            step = last - point
            if abs(step) >= STRETCH_MM:
                off = float(np.degrees(np.angle(step * np.exp(-1j * np.deg2rad(self.growth_angle_deg)))))
                along_deg = self.growth_angle_deg + float(np.clip(off, -TURN_DEG, TURN_DEG))
                return 180.0 - (180.0 - along_deg) % 360.0
        return self.growth_angle_deg
