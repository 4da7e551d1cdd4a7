"""The scale from drawn micrometers whose truth is exact."""

import cv2
import numpy as np
import pytest
from scipy.stats import binom
from synthetic_ruler import Ruler, as_uint8, as_uint16, draw

from dieplat.calibration import find_ruling, measure_scale
from dieplat.errors import RulingError, ScaleError

# The task's own limit for the scale: 0.05 %. The stated uncertainty is checked on top of it.
LIMIT = 5e-4


def check(ruler, picture=None):
    """The pitch is right to 0.05 % and to 4.5 of its own standard uncertainties, never off by a factor."""
    found = find_ruling(as_uint8(draw(ruler)) if picture is None else picture)
    error = found.pitch_px / ruler.pitch_px - 1.0
    u_rel = np.hypot(found.pitch_px_fit_u, found.pitch_px_distortion_u) / found.pitch_px
    assert abs(error) < LIMIT
    # Two-sided 4.5 sigma: one in 10^5 for a Gaussian, so that a failure means a wrong uncertainty.
    assert abs(error) < 4.5 * u_rel
    return found


def test_a_ruling_of_17_3_px_and_10_um_gives_its_scale():
    ruler = Ruler(pitch_px=17.3, angle_deg=1.0)
    scale = measure_scale(as_uint8(draw(ruler)), pitch_um=10.0, pitch_um_u=0.005, source="micrometer.tif")
    assert scale.um_per_px_x == pytest.approx(10.0 / 17.3, rel=LIMIT)
    assert scale.um_per_px_y == scale.um_per_px_x
    assert not scale.axes_independent
    assert scale.common_u_rel == pytest.approx(5e-4)
    # The micrometer's own tolerance is the smallest uncertainty that the scale can have (ASTM E1951).
    assert scale.um_per_px_x_u / scale.um_per_px_x >= 5e-4
    assert scale.lines_used > 30


@pytest.mark.parametrize("angle", [0.0, 0.4, 7.0, 30.0, 45.0, 61.0, 89.0, 90.0, 133.0, 178.0])
def test_any_angle(angle):
    found = check(Ruler(angle_deg=angle))
    off = (found.angle_deg - angle + 90.0) % 180.0 - 90.0
    # A line 150 px long read to about 0.02 px in a group has its direction to 0.01 degree; a tenth is
    # generous to angle 0, where pixels quantise, and costs 1.5e-6 in the cosine.
    assert abs(off) < 0.1


@pytest.mark.parametrize(
    "change",
    [
        {"dirt": 40, "angle_deg": 3.0},
        {"digits": True, "dirt": 10, "angle_deg": 3.0},
        {"missing": (-3, -2, 4, 5, 6, 7)},
        {"bright": True, "angle_deg": 3.0},
        {"shading": 0.7},
        {"length_px": 60.0},
        {"length_px": 2000.0},
        {"line_width_px": 8.6},
        {"blur_px": 0.3, "line_width_px": 2.5},
        {"blur_px": 4.0},
        {"lines": 14, "shift_px": -120.0, "angle_deg": 2.0},
        {"pitch_px": 5.3, "line_width_px": 2.0, "blur_px": 0.8, "angle_deg": 33.0},
        {"pitch_px": 83.7, "line_width_px": 14.0},
        {"pitch_px": 15.0},
    ],
    ids=lambda change: "-".join(f"{key}={value}" for key, value in change.items()),
)
def test_awkward_pictures(change):
    check(Ruler(**change))


@pytest.mark.parametrize("minor", [0.1, 0.3])
def test_faint_divisions_between_strong_tenth_lines_still_count(minor):
    check(Ruler(minor_contrast=minor, tenth_longer=2.0))


def test_sharpening_halos_are_not_divisions():
    picture = draw(Ruler(pitch_px=16.0))
    sharpened = picture + 1.5 * (picture - cv2.GaussianBlur(picture, (0, 0), 2.0))
    check(Ruler(pitch_px=16.0), as_uint8(sharpened))


def test_lens_distortion_is_taken_out_so_that_the_scale_holds_at_the_centre():
    ruler = Ruler(k1=-0.02, width_px=900, height_px=700, length_px=400.0)
    # Averaged over the field, the pitch would be about 1 % short.
    assert check(ruler).distortion_k1 == pytest.approx(-0.02, abs=0.001)


@pytest.mark.parametrize("make", [as_uint8, as_uint16], ids=["8 bit", "16 bit"])
@pytest.mark.parametrize("colour", [False, True], ids=["grey", "rgb"])
def test_depths_and_colours(make, colour):
    grey = make(draw(Ruler(angle_deg=5.0)))
    check(Ruler(), np.stack([grey] * 3, axis=-1) if colour else grey)


def test_a_jpeg_picture():
    done, data = cv2.imencode(".jpg", as_uint8(draw(Ruler(angle_deg=4.0))), [cv2.IMWRITE_JPEG_QUALITY, 80])
    assert done
    check(Ruler(), cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))


def test_two_pictures_solve_both_axes_of_oblong_pixels():
    # A pixel is 2 % longer along y on the ruler; both pictures lean by a few degrees.
    first = Ruler(pitch_px=17.3, angle_deg=4.0, aspect_y=1.02)
    second = Ruler(pitch_px=17.3, angle_deg=93.0, aspect_y=1.02)
    scale = measure_scale(as_uint8(draw(first)), turned=as_uint8(draw(second)), pitch_um=10.0, pitch_um_u=0.002)
    assert scale.axes_independent
    assert scale.um_per_px_x == pytest.approx(10.0 / 17.3, rel=LIMIT)
    assert scale.um_per_px_y == pytest.approx(10.0 / 17.3 * 1.02, rel=LIMIT)
    assert scale.common_u_rel == pytest.approx(2e-4)


def test_two_pictures_that_are_not_turned_are_refused():
    one, two = as_uint8(draw(Ruler(angle_deg=2.0))), as_uint8(draw(Ruler(angle_deg=40.0)))
    with pytest.raises(RulingError, match=r"38\.\d degrees apart; turn the micrometer by 90"):
        measure_scale(one, turned=two, pitch_um=10.0)


def test_two_diagonal_pictures_are_refused():
    one, two = as_uint8(draw(Ruler(angle_deg=44.0))), as_uint8(draw(Ruler(angle_deg=134.0)))
    with pytest.raises(RulingError, match="diagonally"):
        measure_scale(one, turned=two, pitch_um=10.0)


@pytest.mark.parametrize("pitch", [0.0, -1.0, np.nan, np.inf])
def test_a_pitch_that_is_no_length_is_refused(pitch):
    with pytest.raises(ScaleError, match="positive length"):
        measure_scale(np.zeros((99, 99), np.uint8), pitch_um=pitch)


@pytest.mark.parametrize("u", [-0.1, np.nan, 5.0])
def test_a_senseless_pitch_uncertainty_is_refused(u):
    with pytest.raises(ScaleError, match="standard uncertainty"):
        measure_scale(np.zeros((99, 99), np.uint8), pitch_um=10.0, pitch_um_u=u)


def no_ruling(kind):
    rng = np.random.default_rng(5)
    noise = rng.normal(128.0, 20.0, (300, 400))
    if kind == "blobs":
        noise = 128 + 8 * cv2.GaussianBlur(noise - 128, (0, 0), 4.0)
    if kind == "one line":
        noise[:, 200:205] -= 100
    return as_uint8(np.zeros((300, 400)) if kind == "black" else noise)


@pytest.mark.parametrize("kind", ["black", "noise", "blobs", "one line"])
def test_pictures_without_a_ruling_are_refused(kind):
    with pytest.raises(RulingError, match=r"micrometer\.png: .*take a sharp picture"):
        measure_scale(no_ruling(kind), pitch_um=10.0, source="micrometer.png")


def test_the_residuals_are_those_of_the_lines():
    ruler = Ruler(ruling_error_px=0.1, angle_deg=2.0)
    found = check(ruler)
    assert found.index.shape == found.position_px.shape == found.residual_px.shape == found.used.shape
    # Ruling errors of 0.1 px: the rms of about 35 residuals has a relative standard deviation of 1/sqrt(70).
    assert found.rms_residual_px == pytest.approx(0.1, rel=4.0 / np.sqrt(70.0))


@pytest.mark.slow
def test_the_stated_interval_holds_the_truth_as_often_as_it_says():
    count, inside = 24, 0
    for seed in range(count):
        rng = np.random.default_rng(seed)
        ruler = Ruler(
            pitch_px=float(rng.uniform(9, 20)),
            angle_deg=float(rng.uniform(-90, 90)),
            noise=float(rng.uniform(2, 10)),
            width_px=400,
            height_px=400,
            dirt=4,
        )
        found = find_ruling(as_uint8(draw(ruler, seed)))
        u = np.hypot(found.pitch_px_fit_u, found.pitch_px_distortion_u)
        inside += abs(found.pitch_px - ruler.pitch_px) < 1.96 * u
    # The binomial band of 24 draws at 95 %: 19 or fewer has a chance of 0.6 %.
    lowest = int(binom.ppf(0.005, count, 0.95))
    assert lowest == 19
    assert inside >= lowest
