"""What other conductors and coil noise do to a shot's position and depth, as variances."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def distortion_variances(
    depth: Floats, peak_null_separation: Floats, size: Mapping[str, float]
) -> tuple[Floats, Floats]:
    """Variance across the line and of the depth from other conductors' fields [m2]."""
    seen = np.nan_to_num(peak_null_separation)
    return (0.02 * depth) ** 2 + (0.5 * seen) ** 2, (0.03 * depth) ** 2 + (0.5 * seen) ** 2


def two_coil_depth_variance(depth: Floats, size: Mapping[str, float]) -> Floats:
    """Variance of the two-coil depth for independent relative noise of both coils [m2].

    With z = d + h, Bb ~ 1/z and Bt ~ 1/(z + s): d = s Bt / (Bb - Bt) - h, so that a relative
    error e of either coil moves the depth by e z (z + s) / s.
    """
    below_coil = depth + size["coil_height"]
    gain = below_coil * (below_coil + size["coil_separation"]) / size["coil_separation"]
    return np.asarray(2 * (size["coil_noise"] * gain) ** 2)
