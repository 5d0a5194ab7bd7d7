"""python tests/expected_terms.py [SENT MT CT bent]: the tables of edge/prior.py, from finite elements on a grid twice as fine as
the tests'. Some twenty seconds a column; the columns for no crack at all are as edge/prior.py says."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import fem  # noqa: E402
import numpy as np  # noqa: E402
from test_prior import coefficients, shares  # noqa: E402

from edge.prior import BENT_SHARES, EXPECTED  # noqa: E402


def column(table: str, alpha: float) -> list[float]:
    """Shares of the table at one crack size over the width (M(T): half of the width)."""
    if table == "bent":
        tension = coefficients("SENT", alpha)
        bending = coefficients("SENT", alpha, 0.5) - tension
        return [x - y for x, y in zip(shares(bending, alpha * (1 - alpha)), shares(tension, alpha * (1 - alpha)))]
    a = alpha / 2 if table == "MT" else alpha
    return shares(coefficients(table, a), a * (1 - alpha))


def main() -> None:
    fem.GROWTH = 1.2
    fem.LARGEST = {geometry: size / 2 for geometry, size in fem.LARGEST.items()}
    tables = {**EXPECTED, "bent": (EXPECTED["SENT"][0], BENT_SHARES)}
    for table in sys.argv[1:] or tables:
        places, terms = tables[table]
        for i, alpha in enumerate(places):
            if alpha > 0:
                made, stands = np.array(column(table, alpha)[: len(terms)]), np.array([term[i] for term in terms])
                print(table, alpha, np.round(made, 3), f"off by {np.abs(made - stands).max():.4f} at most", flush=True)


if __name__ == "__main__":
    main()
