"""Green-Ampt for one place at a time, compiled: what `geoirrig.physics.green_ampt` says for arrays.

Implicit equations are solved by Newton's method from the side on which it cannot overshoot, to a
relative error of 1e-10 or better. Depths in mm, rates in mm/h, times in hours.
"""

from __future__ import annotations

import math

from geoirrig.compilation import compiled

_RELATIVE_STEP = 1e-10
# In `ponded_gain_mm` the error after a step is at most half the square of the step, both relative
# to the gain: after a step of this size, 5e-11.
_RELATIVE_STEP_PONDED = 1e-5
_MAX_STEPS = 60
_NO_STORAGE_MM = 1e-9


@compiled
def reduced_hours_mm(start_mm: float, gain_mm: float, deficit: float) -> float:
    """Conductivity times the hours in which ponded soil takes in ``gain_mm`` beyond ``start_mm``.

    ΔF − S·ln(1 + ΔF/(S + F)).
    """
    front = deficit + start_mm
    ratio = gain_mm / front
    if ratio < 1e-3 and start_mm < 1e-3 * deficit:
        # From a dry start the logarithm all but cancels the gain.
        tail = ratio * ratio * (1 / 2 - ratio * (1 / 3 - ratio * (1 / 4 - ratio / 5)))
        return ratio * start_mm + deficit * tail
    return gain_mm - deficit * math.log1p(ratio)


@compiled
def ponded_gain_mm(start_mm: float, hours: float, conductivity: float, deficit: float) -> float:
    """Infiltration of ponded soil in some hours, beyond ``start_mm``; solves `reduced_hours_mm`."""
    if hours <= 0.0:
        return 0.0
    # The second-order expansion of the implicit equation starts below the root; the first step
    # then lands above it, and from there Newton's method descends.
    front = deficit + start_mm
    water = conductivity * hours
    reach = start_mm * start_mm + 2.0 * deficit * water
    gain = 2.0 * water * front / (start_mm + math.sqrt(reach))
    for _ in range(_MAX_STEPS):
        surplus = reduced_hours_mm(start_mm, gain, deficit) - water
        step = surplus * (front + gain) / (start_mm + gain)
        gain -= step
        if abs(step) <= _RELATIVE_STEP_PONDED * gain:
            break
    return gain


@compiled
def minutes_to_runoff(
    rate: float, conductivity: float, deficit: float, storage_mm: float, longest_minutes: float
) -> float:
    """Minutes until a steady rain has filled the storage; at most ``longest_minutes``."""
    if not rate > conductivity:
        return longest_minutes
    at_ponding = conductivity * deficit / (rate - conductivity)
    ponding_minutes = 60.0 * at_ponding / rate
    if ponding_minutes >= longest_minutes:
        return longest_minutes
    if storage_mm <= _NO_STORAGE_MM:
        return ponding_minutes
    # Standing water is convex in the gain and starts flat: its parabola starts below the root.
    front = deficit + at_ponding
    gain = front * math.sqrt(2.0 * storage_mm * conductivity / (rate * deficit))
    for _ in range(_MAX_STEPS):
        hours = reduced_hours_mm(at_ponding, gain, deficit) / conductivity
        capacity = conductivity * (1.0 + deficit / (at_ponding + gain))
        step = (rate * hours - gain - storage_mm) / (rate / capacity - 1.0)
        gain -= step
        if abs(step) <= _RELATIVE_STEP * gain:
            break
    hours = reduced_hours_mm(at_ponding, gain, deficit) / conductivity
    return min(longest_minutes, ponding_minutes + 60.0 * hours)


@compiled
def emptying_gain_mm(
    start_mm: float, stored_mm: float, rate: float, conductivity: float, deficit: float
) -> float:
    """Infiltration until standing water is gone, while it falls; −1 if it never goes.

    Standing water may sink under a rate below the capacity. It is convex in the gain, so that
    Newton's method from its start climbs down to the root without passing it.
    """
    if rate <= 0.0:
        return stored_mm
    if rate > conductivity:
        lowest = conductivity * deficit / (rate - conductivity) - start_mm
        hours = reduced_hours_mm(start_mm, lowest, deficit) / conductivity
        if stored_mm + rate * hours - lowest >= 0.0:
            return -1.0
    gain = 0.0
    for _ in range(_MAX_STEPS):
        hours = reduced_hours_mm(start_mm, gain, deficit) / conductivity
        capacity = conductivity * (1.0 + deficit / (start_mm + gain))
        sinking = 1.0 - rate / capacity
        if sinking <= _RELATIVE_STEP:  # the root is the lowest point itself
            break
        step = (stored_mm + rate * hours - gain) / sinking
        gain += step
        if abs(step) <= _RELATIVE_STEP * gain:
            break
    return gain


@compiled
def after_interval(
    infiltrated_mm: float,
    stored_mm: float,
    rate: float,
    hours: float,
    conductivity: float,
    deficit: float,
) -> tuple[float, float]:
    """Cumulative infiltration and stored depth after an interval of steady rate.

    The storage is taken as unlimited: what exceeds a limit afterwards has run off.
    """
    excess = rate - conductivity
    left = hours
    # 1. Standing water sinks while the capacity exceeds the rate.
    if stored_mm > 0.0 and excess * infiltrated_mm < conductivity * deficit:
        gain = emptying_gain_mm(infiltrated_mm, stored_mm, rate, conductivity, deficit)
        gone_after = math.inf
        if gain >= 0.0:
            gone_after = reduced_hours_mm(infiltrated_mm, gain, deficit) / conductivity
        if gone_after < left:
            infiltrated_mm += gain
            stored_mm = 0.0
            left -= gone_after
    # 2. A bare surface takes everything in until the capacity has sunk to the rate.
    if stored_mm <= 0.0:
        if rate <= 0.0:
            return infiltrated_mm, 0.0
        wait = math.inf
        if excess > 0.0:
            wait = max(0.0, (conductivity * deficit / excess - infiltrated_mm) / rate)
        if wait >= left:
            return infiltrated_mm + rate * left, 0.0
        infiltrated_mm += rate * wait
        left -= wait
    # 3. The rest of the interval is ponded.
    gain = ponded_gain_mm(infiltrated_mm, left, conductivity, deficit)
    return infiltrated_mm + gain, max(0.0, stored_mm + rate * left - gain)
