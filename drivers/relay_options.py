"""What every lamp relay declares, whatever it is driven by, and who may close one."""

from __future__ import annotations

from attrs import define

from drivers.arming import LONGEST_SILENCE_S, Arming
from drivers.errors import LightingRefused
from drivers.options import PortOptions, number


@define(kw_only=True, slots=False)
class LampRelayOptions(PortOptions):
    """A relay in the lamp's feed. It is opened by program in any case, closed only where armed."""

    opens_after_silence_s: float | None = number(
        default=None,
        unit="s",
        above=0.0,
        most=LONGEST_SILENCE_S,
        doc="The relay opens by itself after this time without a word from the program. Without "
        "it the lamp is lit by hand. Set it in the relay itself; 'evenfall check' proves it.",
    )


def check_lighting(
    arming: object, opens_after_silence_s: float | None, device: str, now_s: float
) -> None:
    """Spend an arming, as every relay does before it sends anything that closes. [s]

    Raises
    ------
    LightingRefused
        It is no arming or worth nothing, or the relay is not declared to open by itself.
    """
    refused = None
    if not isinstance(arming, Arming):
        refused = f"it was given {arming!r} in place of an arming"
    elif opens_after_silence_s is None or not 0.0 < opens_after_silence_s <= LONGEST_SILENCE_S:
        refused = (
            f"'opens_after_silence_s' is {opens_after_silence_s!r} (allowed: above 0 to "
            f"{LONGEST_SILENCE_S:g} s)"
        )
    else:
        refused = arming.spend(now_s)
    if refused:
        raise LightingRefused(
            device,
            f"the lamp circuit is not closed: {refused}. Nothing was sent.",
            remedy="Light the lamp by hand, or arm the relay in plan and profile.",
        )
