"""Classes, labels and colours."""

from __future__ import annotations

import numpy as np
import pytest

from geoirrig.symbology import SCALES, ClassScale
from geoirrig.units import MM_PER_INCH

# Simulation of missing cones in linear RGB: Machado, Oliveira & Fernandes 2009, "A
# physiologically-based model for simulation of color vision deficiency", severity 1.0. The
# coefficients are from memory; their rows add up to one, as they must for grey to stay grey.
FULL_SIGHT = np.eye(3)
NO_RED_CONES = np.array(
    [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ]
)
NO_GREEN_CONES = np.array(
    [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ]
)
# IEC 61966-2-1 (sRGB) to CIE XYZ under D65, and the white point.
XYZ_OF_RGB = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE = np.array([0.95047, 1.0, 1.08883])


def cielab(colours: tuple[str, ...], sight: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of colours as a reader with this sight sees them, shape (n, 3)."""
    encoded = np.array([[*bytes.fromhex(colour[1:])] for colour in colours]) / 255.0
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    xyz = np.clip(linear @ sight.T, 0.0, 1.0) @ XYZ_OF_RGB.T / WHITE
    f = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    lightness, red_green = 116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1])
    return np.stack([lightness, red_green, 200 * (f[:, 1] - f[:, 2])], axis=1)


def test_cielab_of_known_colours_is_the_textbook_value() -> None:
    # White is (100, 0, 0) by definition; sRGB red is (53.24, 80.09, 67.20), from memory.
    np.testing.assert_allclose(
        cielab(("#ffffff", "#ff0000"), FULL_SIGHT),
        [[100.0, 0.0, 0.0], [53.24, 80.09, 67.20]],
        atol=0.02,
    )


@pytest.mark.parametrize("sight", [FULL_SIGHT, NO_RED_CONES, NO_GREEN_CONES])
@pytest.mark.parametrize("scale", SCALES.values(), ids=SCALES)
def test_colours_of_a_scale_any_two_classes_tell_apart(scale: ClassScale, sight) -> None:
    # A difference of 2.3 in L*a*b* is just noticeable side by side (Mahy et al. 1994, from
    # memory); four times that is asked for, since map and legend lie apart.
    seen = cielab(scale.colours, sight)
    apart = np.linalg.norm(seen[:, None] - seen[None, :], axis=-1)
    np.fill_diagonal(apart, np.inf)
    assert apart.min() > 9.2


@pytest.mark.parametrize("sight", [FULL_SIGHT, NO_RED_CONES, NO_GREEN_CONES])
@pytest.mark.parametrize("column", ["precipitation_rate_mm_h", "applied_depth_mm"])
def test_colours_of_water_grow_darker_with_more_of_it(column: str, sight) -> None:
    lightness = cielab(SCALES[column].colours, sight)[:, 0]
    dry = 2 if column == "precipitation_rate_mm_h" else 3  # classes of far too little water
    assert np.all(np.diff(lightness[dry:]) < 0.0)
    assert np.all(np.diff(lightness[:dry]) > 0.0)


@pytest.mark.parametrize("scale", SCALES.values(), ids=SCALES)
def test_scale_has_one_colour_and_label_more_than_limits_in_both_unit_systems(
    scale: ClassScale,
) -> None:
    for units in ("si", "us"):
        classes = scale.classes(units)
        assert len(classes) == len(scale.colours) == len(scale.limits(units)) + 1
        assert np.all(np.diff(scale.limits(units)) > 0.0)
        assert len({step.label for step in classes}) == len(classes)
        assert classes[0].lower == -np.inf
        assert classes[-1].upper == np.inf


def test_classes_us_limits_are_round_inches_and_go_back_to_mm() -> None:
    scale = SCALES["precipitation_rate_mm_h"]
    assert scale.heading("us") == "Precipitation rate [in/h]"
    assert scale.classes("us")[4].label == "0.4 – 0.6"
    assert scale.classes("us")[4].lower == 0.4
    assert scale.limits_as_si("us")[3] == pytest.approx(0.4 * MM_PER_INCH, rel=1e-12)


def test_classes_si_labels_carry_the_limits() -> None:
    scale = SCALES["precipitation_rate_mm_h"]
    assert scale.heading("si") == "Precipitation rate [mm/h]"
    labels = [step.label for step in scale.classes("si")]
    assert labels[:3] == ["no water", "0 – 2.5", "2.5 – 5"]
    assert labels[-1] == "over 60"


def test_class_index_value_on_a_limit_belongs_to_the_lower_class() -> None:
    # Limits 0, 2.5, 5, 10 …: no water | up to 2.5 | up to 5 | …
    scale = SCALES["precipitation_rate_mm_h"]
    values = np.array([0.0, 1e-6, 2.5, 2.6, 60.0, 60.1], dtype=np.float32)
    assert scale.class_index(values, "si").tolist() == [0, 1, 1, 2, 7, 8]


def test_class_index_float32_value_on_a_us_limit_belongs_to_the_lower_class() -> None:
    # 0.1 in is 2.54 mm, which float32 stores as slightly more than 2.54.
    scale = SCALES["precipitation_rate_mm_h"]
    assert scale.class_index(np.array([2.54], dtype=np.float32), "us").tolist() == [1]


def test_class_index_nan_gets_the_class_after_the_last() -> None:
    scale = SCALES["slope_pct"]
    assert scale.class_index(np.array([np.nan, 99.0]), "si").tolist() == [5, 4]


def test_class_index_counts_of_heads_have_one_class_each_up_to_five() -> None:
    scale = SCALES["heads_reaching"]
    counts = np.array([0, 1, 2, 3, 4, 5, 9], dtype=np.uint8)
    assert scale.class_index(counts, "us").tolist() == [0, 1, 2, 3, 4, 5, 5]


def test_class_index_minutes_at_the_cap_mean_no_runoff() -> None:
    scale = SCALES["minutes_to_runoff"]
    index = scale.class_index(np.array([1439.0, 1440.0], dtype=np.float32), "si")
    labels = [scale.classes("si")[number].label for number in index]
    assert labels == ["over 60", "no runoff within a day"]
