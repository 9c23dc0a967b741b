"""Words of the trade in the sheet: stage and substrate in any case and by their other names, and the paint's film."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from surfscan.core.trade_names import (
    STAGES,
    SUBSTRATES,
    nearest_name,
    stage_named,
    substrate_named,
)
from surfscan.job.sheet_errors import refuse

__all__ = ["Film", "Stage", "StageWord", "Substrate", "SubstrateWord"]

Stage = Literal["bare-metal", "filler", "putty", "primer", "sealer", "base", "clear"]
Substrate = Literal["steel", "aluminium", "plastic", "fibreglass", "unknown"]


def _word(named: Callable[[str], str | None], names: tuple[str, ...]) -> Callable[[Any], Any]:
    """The name for what a shop writes; a miss is refused with the nearest name."""

    def read(value: Any) -> Any:
        if not isinstance(value, str):
            return value
        if (name := named(value)) is not None:
            return name
        near = nearest_name(value, names)
        raise refuse(
            "is none of the known words",
            found=f'"{value}"',
            allowed="one of " + ", ".join(names),
            cure=f"the nearest is {near}" if near else "",
        )

    return read


StageWord = Annotated[Stage, BeforeValidator(_word(stage_named, STAGES))]
SubstrateWord = Annotated[Substrate, BeforeValidator(_word(substrate_named, SUBSTRATES))]
# Three millimetres is filler, not paint; past it the gauge was read in micrometres.
Film = Annotated[float, Field(gt=0.0, le=3.0)]
