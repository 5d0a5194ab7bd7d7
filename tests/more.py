"""Cases that show more of the same are left out unless asked for: `python -m pytest -m long tests`."""

from collections.abc import Iterable

import pytest


def chosen(cases: Iterable, *always: int) -> list:
    """Cases of a parametrized test: those of these numbers run always, the others are marked `long`."""
    return [
        case if i in always else pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.long)
        for i, case in enumerate(cases)
    ]
