"""All the offsets that one pair of tiles leaves open."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from dieplat.registration.correlate import NOISE_AREA_PX, Fit, Image, approach, refine, settle
from dieplat.registration.evidence import leads, log_likelihoods
from dieplat.registration.search import LARGE_PX, correlation_surface, halved, local_maxima, peaks_between_pixels
from dieplat.values.offsets import Hypothesis

COST_CEILING = 60.0
MOST_HYPOTHESES = 80
INTERPOLATION_SLACK = 0.03
"""Error of a correlation read between the pixels by a parabola; rivals within it are refined before they are judged."""
SETTLED = 8
"""Places that are settled in pictures cut to what they share; those further down are hardly ever chosen."""
SHARED_SIGMAS = 6.0
"""Slopes must be shared beyond chance: of hundreds of places along a line the best reaches some 3."""
FOREMOST = 3
"""Places approached before their likelihoods are compared for good: a peak between pixels costs some percent of it."""


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
    found = _plausible(a, b, predicted_px, search_px)
    if found is None:
        return ()
    places, halves = found
    fits: list[Fit] = []
    for x, y in places:
        fit = refine(a, b, x, y, halves=halves)
        if fit is not None and not any(
            abs(fit.dx_px - other.dx_px) < 0.7 and abs(fit.dy_px - other.dy_px) < 0.7 for other in fits
        ):
            fits.append(fit)
    return _with_costs(a, b, fits)


def settled(
    hypotheses: Sequence[Hypothesis], shared: Callable[[tuple[int, int]], tuple[Image, Image] | None]
) -> tuple[Hypothesis, ...]:
    """The same places, the foremost to the last fraction of a pixel from pictures cut to what they share.

    `shared` gives both pictures at a whole-pixel offset, None where there is too little. Correlations and differences
    of costs stay as they are, so that all places are judged by the same pixels.

    Straight lines of one direction fit themselves wherever they are moved along it (the aperture problem; Horn and
    Schunck 1981, Artificial Intelligence 17, 185-203): where no slopes are shared in some direction is no place.
    """
    found = []
    for h in hypotheses[:SETTLED]:
        x, y = round(h.dx_px), round(h.dy_px)
        pictures = shared((x, y))
        fit = None if pictures is None else settle(*pictures, h.dx_px - x, h.dy_px - y)
        if fit is None:
            found.append(h)
        elif fit.shared_sigmas > SHARED_SIGMAS:
            place = x + fit.dx_px, y + fit.dy_px
            found.append(
                Hypothesis(*place, h.correlation, h.cost, fit.cov_px2, misfit_pct=fit.misfit_pct, unlike=fit.unlike)
            )
    if not found:
        return ()
    least = min(h.cost for h in found)
    return tuple(replace(h, cost=h.cost - least) for h in (*found, *hypotheses[SETTLED:]))


def support_near(a: Image, b: Image, *, predicted_px: tuple[float, float], search_px: tuple[int, int]) -> float:
    """Log-likelihood of the best place near a prediction against two pictures that have nothing in common, in nats.

    As that of the first hypothesis of `measure_pair`, of which the last digits do not matter here: the likelihood is
    compared where the correlation peaks, and only the foremost places are approached, in pictures of half the size.
    """
    found = _plausible(a, b, predicted_px, search_px)
    if found is None:
        return 0.0
    places, halves = found
    likelihoods = log_likelihoods(a, b)
    likelihood = likelihoods(places)
    foremost = [places[i] for i in np.argsort(-likelihood, kind="stable")[:FOREMOST]]
    halves = halves or (halved(a), halved(b))
    nearer = [place for place in (approach(*halves, x, y) for x, y in foremost) if place is not None]
    return float(max(0.0, likelihood.max(), *likelihoods(nearer)))


def _plausible(
    a: Image, b: Image, predicted_px: tuple[float, float], search_px: tuple[int, int]
) -> tuple[list[tuple[float, float]], tuple[Image, Image] | None] | None:
    """Places (x, y) whose correlation noise could have made the best, highest first, and the pictures at half size.

    The latter are None where the overlap is too small to use them; all is None where the overlap is blank.
    """
    height, width = a.shape
    area = (width - abs(predicted_px[0])) * (height - abs(predicted_px[1]))
    halves = (halved(a), halved(b)) if area >= LARGE_PX else None
    found = correlation_surface(a, b, predicted_px, search_px, halves)
    if found is None:
        return None
    surface, (first_x, first_y) = found
    peak = float(surface.max())
    independent = max(area / NOISE_AREA_PX, 8.0)
    # Largest of m normal draws stays below sqrt(2 ln m); two more standard deviations make it rare.
    chance = (np.sqrt(2 * np.log(surface.size)) + 2) / np.sqrt(independent)
    if peak < chance:
        return None
    floor = max(chance, peak - max(0.35 * peak, 0.1))
    peaks = peaks_between_pixels(surface, local_maxima(surface, floor=floor, most=MOST_HYPOTHESES))
    top = max(value for _, _, value in peaks)
    reach = np.sqrt(2 * COST_CEILING) * max(1 - top**2, 1e-3) * np.sqrt(2 / independent) + INTERPOLATION_SLACK
    return [(first_x + column, first_y + row) for row, column, value in peaks if value >= top - reach], halves


def _with_costs(a: Image, b: Image, fits: list[Fit]) -> tuple[Hypothesis, ...]:
    """Hypotheses with their costs against the best, best first."""
    if not fits:
        return ()
    fits = sorted(fits, key=lambda fit: -fit.correlation)
    costs = 0.0 - leads(a, b, [(fit.dx_px, fit.dy_px) for fit in fits], hopeless=COST_CEILING)
    order = sorted(range(len(fits)), key=lambda i: (costs[i], -fits[i].correlation))
    return tuple(
        Hypothesis(fits[i].dx_px, fits[i].dy_px, fits[i].correlation, float(costs[i]), fits[i].cov_px2)
        for i in order
        if costs[i] < COST_CEILING
    )
