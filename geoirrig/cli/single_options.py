"""Options that take one value: given twice, none of the two can be meant, so the run is refused."""

from __future__ import annotations

from collections import Counter
from typing import Any

from typer.core import TyperCommand

from geoirrig.cli.messages import told_to_the_user
from geoirrig.errors import InputError


class SingleOptionsCommand(TyperCommand):
    """A command that refuses an option given twice, unless it is one that may be.

    The parser by itself would take the last and say nothing: of two layers one would be lost.
    """

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Refuse repeated options, then read the command line as ever."""
        _, _, met = self.make_parser(ctx).parse_args(args=list(args))
        count = Counter(option.opts[0] for option in met if _takes_one_value(option))
        repeated = [name for name, times in count.items() if times > 1]
        if repeated and not ctx.resilient_parsing:
            with told_to_the_user():
                raise InputError(
                    [
                        f"{name} was given {_times(count[name])}, but takes one value. "
                        "Give it once."
                        for name in repeated
                    ]
                )
        return super().parse_args(ctx, args)


def _takes_one_value(parameter: Any) -> bool:
    return parameter.param_type_name == "option" and not (
        parameter.multiple or parameter.is_flag or parameter.count
    )


def _times(count: int) -> str:
    return "twice" if count == 2 else f"{count} times"
