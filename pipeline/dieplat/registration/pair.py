"""All the offsets that one pair of tiles leaves open."""

from __future__ import annotations

import numpy as np

from dieplat.registration.correlate import NOISE_AREA_PX, Fit, Image, refine
from dieplat.registration.evidence import log_likelihoods
from dieplat.registration.search import LARGE_PX, correlation_surface, halved, local_maxima, peaks_between_pixels
from dieplat.values.offsets import Hypothesis

COST_CEILING = 60.0
MOST_HYPOTHESES = 80
INTERPOLATION_SLACK = 0.03
"""Error of a correlation read between the pixels by a parabola; rivals within it are refined before they are judged."""


def measure_pair(
    a: Image, b: Image, *, predicted_px: tuple[float, float], search_px: tuple[int, int]
) -> tuple[Hypothesis, ...]:
    """Every plausible offset of tile b against tile a near a prediction, best first.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32
        Band-passed grey tiles.
    predicted_px : tuple of float
        Offset (dx, dy) expected by the stage model.
    search_px : tuple of int
        Half width (x, y) of the search.

    Returns
    -------
    tuple of Hypothesis
        A periodic overlap gives a lattice of them. Empty when the overlap is blank: no correlation then rises
        above what noise reaches by chance over the places searched.

    Notes
    -----
    The sample correlation r of n independent pixels scatters by (1 - r^2) / sqrt(n) (Fisher 1915): places whose
    correlation falls short of the best by more than noise could explain are left out. The costs of the others come
    from what is there once only (`evidence`): two places of a strictly periodic pattern differ in nothing else.
    """
    height, width = a.shape
    area = (width - abs(predicted_px[0])) * (height - abs(predicted_px[1]))
    halves = (halved(a), halved(b)) if area >= LARGE_PX else None
    found = correlation_surface(a, b, predicted_px, search_px, halves)
    if found is None:
        return ()
    surface, (first_x, first_y) = found
    peak = float(surface.max())
    independent = max(area / NOISE_AREA_PX, 8.0)
    # Largest of m normal draws stays below sqrt(2 ln m); two more standard deviations make it rare.
    chance = (np.sqrt(2 * np.log(surface.size)) + 2) / np.sqrt(independent)
    if peak < chance:
        return ()
    floor = max(chance, peak - max(0.35 * peak, 0.1))
    places = peaks_between_pixels(surface, local_maxima(surface, floor=floor, most=MOST_HYPOTHESES))
    top = max(value for _, _, value in places)
    reach = np.sqrt(2 * COST_CEILING) * max(1 - top**2, 1e-3) * np.sqrt(2 / independent) + INTERPOLATION_SLACK
    fits: list[Fit] = []
    for row, column, value in places:
        if value < top - reach:
            continue
        fit = refine(a, b, first_x + column, first_y + row, halves=halves)
        if fit is not None and not any(
            abs(fit.dx_px - other.dx_px) < 0.7 and abs(fit.dy_px - other.dy_px) < 0.7 for other in fits
        ):
            fits.append(fit)
    return _with_costs(a, b, fits)


def _with_costs(a: Image, b: Image, fits: list[Fit]) -> tuple[Hypothesis, ...]:
    """Hypotheses with their costs against the best, best first."""
    if not fits:
        return ()
    costs = np.zeros(1)
    if len(fits) > 1:
        likelihood = log_likelihoods(a, b, [(fit.dx_px, fit.dy_px) for fit in fits])
        costs = likelihood.max() - likelihood
    order = sorted(range(len(fits)), key=lambda i: (costs[i], -fits[i].correlation))
    return tuple(
        Hypothesis(fits[i].dx_px, fits[i].dy_px, fits[i].correlation, float(costs[i]), fits[i].cov_px2)
        for i in order
        if costs[i] < COST_CEILING
    )
