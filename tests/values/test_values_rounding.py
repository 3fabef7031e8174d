"""Whole numbers rounded to binary32, against numpy's own conversion of 64-bit integers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from softctl.values.types import whole_to_real

NEAR_TIES = st.builds(
    lambda size, high, low: (high << (size - 24)) + (1 << (size - 25)) + low,
    st.integers(26, 63),
    st.integers(1 << 23, (1 << 24) - 1),
    st.integers(-2, 2),
)
"""Numbers of up to 63 bits within two of the middle between two neighbours of binary32."""


@given(st.integers(-(1 << 63), (1 << 63) - 1) | NEAR_TIES)
@example((1 << 60) + (1 << 36) + 1)
def test_signed_numbers_become_the_nearest_binary32(value):
    """The one rounding of IEEE 754, ties to even, as numpy converts an int64."""
    assert whole_to_real(value) == float(np.int64(value).astype(np.float32))
    assert whole_to_real(-value) == -whole_to_real(value)


@given(st.integers(0, (1 << 64) - 1))
def test_unsigned_numbers_become_the_nearest_binary32(value):
    """The same for a uint64."""
    assert whole_to_real(value) == float(np.uint64(value).astype(np.float32))


@pytest.mark.parametrize("digits", [39, 300, 5000])
def test_numbers_beyond_binary32_become_infinities(digits):
    """Nothing overflows, however long the number is."""
    assert whole_to_real(1 << 4 * digits) == math.inf
    assert whole_to_real(-(1 << 4 * digits)) == -math.inf
