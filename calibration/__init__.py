"""Per-camera work: the camera profile and how it is measured. Imports nothing from `edge`."""
