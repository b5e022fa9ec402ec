"""The rebate programme that an invented city is held against."""

from __future__ import annotations

_PROGRAMME = """\
title = "High-efficiency nozzles"
currency = "USD"
measure_life_years = 10
discount_rate = 0.03
budget = {budget:.0f}
water_price_per_m3 = 1.2
annual_net_need_mm = 700
nozzle_set = "nozzle_set.csv"

[[condition]]
id = "heads"
require = "replaced_head_count >= 15"
reason = "At least 15 heads must be replaced"

[[condition]]
id = "rate"
require = "max_rate_after_mm_h <= 40"
reason = "The rate must not exceed 40 mm/h"

[[pay]]
per_head = 4.0

[caps]
per_parcel = 2000.0
share_of_cost = 0.5

[costs]
nozzle_default = 6.0
labour_per_head = 5.0
regulator_per_head = 3.0
fixed_per_parcel = 25.0

[ranking]
by = "cheapest_water"
funding = "exact"
"""


def programme_text(budget: float) -> str:
    """The programme file with that budget; its nozzle set lies beside it, `retrofit_set`."""
    return _PROGRAMME.format(budget=budget)
