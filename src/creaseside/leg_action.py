"""Leg action: what the front leg does from its contact to release, by the 10 degree rule, and where that is not told."""
from __future__ import annotations

from creaseside.ball import Value

RULE_DEG = 10.0    # Portus et al. 2004: flexes, extends by at least this
SURE = 1.1         # of the later knee's sd: nearer to the rule, either is as well the other. Of 239 drawn balls 74 % had the action of the truth,
                   # of the 59 of them beyond it 97 (what they flex by is 3.7 degrees off, what they extend by 3.8)


def untold(ffc: Value, smallest: Value, br: Value) -> str | None:
    """Why a front leg's action is not told of a ball, where it is not."""
    if not (ffc and smallest and br):
        return "the front knee was not measured at all three moments"
    told = all(abs(one.value - smallest.value - RULE_DEG) >= SURE * (later.sd or 0.0) for one, later in ((ffc, smallest), (br, br)))
    return None if told else "too near the rule's 10 degrees for how sure the knees are"


def told(ffc: Value, smallest: Value, br: Value) -> tuple[str | None, dict[str, str]]:
    """The action, or None; and as what a ball does not have, by name, why."""
    why = untold(ffc, smallest, br)
    return (None, {"front_leg_action": why}) if why else (of(ffc, smallest, br), {})


def of(ffc: Value, smallest: Value, br: Value) -> str | None:
    """Portus et al. 2004: `flexes` at least 10 degrees from contact to the smallest, `extends` at least 10 from there to release."""
    if not (ffc and smallest and br):
        return None
    flexes, extends = ffc.value - smallest.value >= RULE_DEG, br.value - smallest.value >= RULE_DEG
    return {(True, False): "flexor", (True, True): "flexor_extender", (False, True): "extender", (False, False): "constant_brace"}[flexes, extends]
