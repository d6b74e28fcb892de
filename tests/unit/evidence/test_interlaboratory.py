"""An interlaboratory study against the standard's example."""

import numpy as np
import pytest

from analysis.interlaboratory import interlaboratory

# ASTM E691-99 table 1, glucose in serum, 8 laboratories x 3 repeats x 5 materials (typed from
# memory; all published means, s_r and s_R come out)
GLUCOSE = np.array(
    [
        [
            (41.03, 78.28, 132.66, 193.71, 292.78),
            (41.45, 78.18, 133.83, 193.59, 294.09),
            (41.37, 78.49, 133.10, 193.65, 292.89),
        ],
        [
            (41.17, 77.78, 132.92, 190.88, 292.27),
            (42.00, 80.38, 136.90, 200.14, 309.40),
            (41.15, 79.54, 136.40, 194.30, 295.08),
        ],
        [
            (41.01, 79.18, 132.61, 192.71, 295.53),
            (40.68, 79.72, 135.80, 193.28, 290.14),
            (42.66, 80.81, 135.36, 190.28, 292.34),
        ],
        [
            (39.37, 84.08, 138.50, 195.85, 295.19),
            (42.37, 78.60, 138.30, 196.36, 295.44),
            (42.63, 81.92, 135.69, 199.43, 296.83),
        ],
        [
            (41.88, 78.16, 131.90, 192.59, 293.93),
            (41.19, 79.58, 134.14, 191.44, 292.48),
            (41.32, 78.33, 133.76, 195.12, 294.28),
        ],
        [
            (43.28, 78.66, 137.21, 195.34, 297.74),
            (40.50, 79.27, 135.14, 198.26, 296.80),
            (42.28, 81.75, 137.50, 198.13, 290.33),
        ],
        [
            (41.08, 79.76, 130.97, 194.66, 287.29),
            (41.27, 81.45, 131.59, 191.99, 293.76),
            (39.02, 77.35, 134.92, 187.13, 289.36),
        ],
        [
            (43.36, 80.44, 135.46, 197.56, 298.46),
            (42.65, 80.80, 135.14, 195.99, 295.28),
            (41.72, 79.80, 133.63, 200.82, 296.12),
        ],
    ]
).transpose(0, 2, 1)


def test_interlaboratory_gives_the_standards_example() -> None:
    """ASTM E691-99 table 1: s_r, s_R (floored for material A), and limits 2.8 times as great."""
    found = interlaboratory(GLUCOSE)
    assert found.mean == pytest.approx([41.5183, 79.6796, 134.7263, 194.7171, 294.4921], abs=6e-5)
    assert found.repeatability_sd == pytest.approx(
        [1.0632, 1.4949, 1.5434, 2.6251, 3.9350], abs=5e-5
    )
    assert found.reproducibility_sd == pytest.approx(
        [1.0632, 1.5796, 2.1482, 3.3657, 4.1923], abs=5e-5
    )
    assert found.reproducibility_limit == pytest.approx(2.8 * found.reproducibility_sd)
    assert found.repeatability_limit == pytest.approx(
        2.8 * np.array([1.0632, 1.4949, 1.5434, 2.6251, 3.9350]), abs=2e-4
    )


def test_interlaboratory_shows_the_spoilt_cell() -> None:
    """With 148.30 for laboratory 4, material C (as a file has it), the cell is suspect."""
    spoilt = GLUCOSE.copy()
    spoilt[3, 2, 1] = 148.30
    found = interlaboratory(spoilt)
    assert found.repeatability_sd[2] == pytest.approx(2.7483, abs=5e-5)
    assert found.reproducibility_sd[2] == pytest.approx(3.4770, abs=5e-5)
    assert (3, 2) in found.suspect
    assert (3, 2) not in interlaboratory(GLUCOSE).suspect
